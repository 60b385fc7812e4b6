//! What contradicts what was asked.

use crate::budget::LEAST_SHARE_OF_RATED;
use crate::predict::contradiction::{Contradiction, HEARD_IN_PLACE_HZ};
use crate::report::span::{Text, db, exact, hz, name, percent, quantity, text};
use crate::seats::Coverage;

/// One sentence without a final period.
pub fn contradiction(contradiction: &Contradiction) -> Text {
    match contradiction {
        Contradiction::AimBeyondMeasured { .. }
        | Contradiction::LevelBeyondSpeaker { .. }
        | Contradiction::RatingBroken { .. } => of_the_speaker(contradiction),
        Contradiction::SubBelowCorner { .. }
        | Contradiction::SubBelowTrusted { .. }
        | Contradiction::SubHeardInPlace { .. }
        | Contradiction::NoHighpass { .. }
        | Contradiction::NoStagesLeft { .. } => of_the_subwoofer(contradiction),
        Contradiction::UnitsHoldTheSame
        | Contradiction::UnitsShowLess { .. }
        | Contradiction::AnglesOfOneUnit
        | Contradiction::UnitsUnalike { .. } => of_the_pair(contradiction),
        _ => of_the_room(contradiction),
    }
}

fn of_the_speaker(contradiction: &Contradiction) -> Text {
    match contradiction {
        Contradiction::AimBeyondMeasured {
            aim_deg,
            missing_deg,
        } => {
            let angles = missing_deg.iter().map(|a| exact(*a, "").signed());
            text! {
                "the aim of {} reaches beyond what was measured: {} degrees of the new listening window are missing, and the window is formed from the rest",
                exact(*aim_deg, "degrees"), Text::joined(angles, ", ")
            }
        }
        Contradiction::LevelBeyondSpeaker {
            level_db,
            worst,
            playable_db,
        } => text! {
            "{} at the seat is beyond the speaker: at {} peaks ask for {} at {} and it gives {} cleanly; {} on average is what it plays",
            db(*level_db, 0), hz(worst.f_hz), db(worst.asked_db, 0), quantity(1.0, 0, "m"),
            db(worst.clean_db, 0), db(*playable_db, 0)
        },
        Contradiction::RatingBroken { rated_ohm, least } => text! {
            "the impedance falls to {} at {}, less than {} of the rated {} (IEC 60268-5)",
            quantity(least.ohm, 1, "ohm"), hz(least.f_hz), percent(LEAST_SHARE_OF_RATED),
            exact(*rated_ohm, "ohm")
        },
        _ => Text::default(),
    }
}

fn of_the_subwoofer(contradiction: &Contradiction) -> Text {
    match contradiction {
        Contradiction::SubBelowCorner { sub_hz, corner_hz } => text! {
            "the subwoofer ends at {}, but the speaker has fallen by {} at {} already: between the two nothing plays at full level",
            hz(*sub_hz), db(6.0, 0), hz(*corner_hz)
        },
        Contradiction::SubBelowTrusted {
            sub_hz,
            trusted_from_hz,
        } => text! {
            "the crossover to the subwoofer at {} lies below the trusted range, which starts at {}: what the speaker does at the crossover is not known",
            hz(*sub_hz), hz(*trusted_from_hz)
        },
        Contradiction::SubHeardInPlace { sub_hz } => text! {
            "a subwoofer that plays up to {} is heard where it stands (common practice: at most {})",
            hz(*sub_hz), hz(HEARD_IN_PLACE_HZ)
        },
        Contradiction::NoHighpass { device, wanted } => text! {
            "{} has no stages for a highpass of {} per octave at {}: set that crossover in the box that divides the bass, the plan counts on it",
            name(device), db(wanted.order.slope_db_per_oct(), 0), hz(wanted.f_hz)
        },
        Contradiction::NoStagesLeft { stages, taken } => text! {
            "the crossover takes {} of the {} stages, none is left for the plan",
            *taken, *stages
        },
        _ => Text::default(),
    }
}

fn of_the_room(contradiction: &Contradiction) -> Text {
    match contradiction {
        Contradiction::TransitionAssumed { transition_hz } => text! {
            "no transition was stated; {} is taken, the middle of what homes show. --transition, or --room-volume with --rt60, says better",
            hz(*transition_hz)
        },
        Contradiction::TransitionHigh { transition_hz } => text! {
            "a transition of {} is higher than what rooms show (200 to {}): so high, a cut that suits the seats takes from the direct sound too",
            hz(*transition_hz), hz(500.0)
        },
        Contradiction::TransitionBelowTrusted {
            transition_hz,
            trusted_from_hz,
        } => text! {
            "the room decides below {}, the anechoic measurement is trusted from {}: between them nobody judges, and nothing is corrected there",
            hz(*transition_hz), hz(*trusted_from_hz)
        },
        Contradiction::SeatsElsewhere { coverage } => text! {
            "{} and say too little of the zone below the transition at {}: they were not used, and the zone is left as it is",
            seats_measured(coverage), hz(coverage.zone_hz.1)
        },
        Contradiction::SeatsShort { coverage } => text! {
            "{} and do not cover the room's zone from {} to {}: what they do not show is left as it is",
            seats_measured(coverage), hz(coverage.zone_hz.0), hz(coverage.zone_hz.1)
        },
        Contradiction::SeatsCoarse { points_per_octave } => text! {
            "the seats have {} per octave below the transition: modes narrower than that are blurred or missed; 24 or more would show them",
            quantity(*points_per_octave, 0, "points")
        },
        Contradiction::OneSeat => {
            "one seat cannot show what seats share: its peaks are cut as if all seats had them"
                .into()
        }
        Contradiction::FromWithinRoom {
            from_hz,
            transition_hz,
        } => text! {
            "--from {} leaves {} of the room's zone below {} untouched",
            exact(*from_hz, ""), if from_hz < transition_hz { "the lower part" } else { "all" },
            hz(*transition_hz)
        },
        Contradiction::SubWithinRoom { sub_hz } => text! {
            "below {} the subwoofer plays, so what the seats show there is not cut in this list; measure the seats with the subwoofer playing and name them with --sub-seats, then its own list does",
            hz(*sub_hz)
        },
        Contradiction::SharedPeaksStay { peaks_hz, stages } => text! {
            "with {}{}{} over what was wanted: {}",
            *stages,
            match peaks_hz.len() {
                1 => " stages of this device a peak that the seats share stays more than ",
                _ => " stages of this device peaks that the seats share stay more than ",
            },
            db(1.0, 0), Text::joined(peaks_hz.iter().map(|p| hz(*p)), ", ")
        },
        _ => Text::default(),
    }
}

fn seats_measured(coverage: &Coverage) -> Text {
    text! {
        "the seats were measured from {} to {}",
        hz(coverage.seats_hz.0), hz(coverage.seats_hz.1)
    }
}

fn of_the_pair(contradiction: &Contradiction) -> Text {
    match contradiction {
        Contradiction::UnitsHoldTheSame => {
            "both units of the pair hold the same numbers: that is one measurement, and says nothing of a pair".into()
        }
        Contradiction::UnitsShowLess { common_hz, lacking } => text! {
            "of the pair only what both units show counts: {} to {}{}",
            hz(common_hz.0), hz(common_hz.1),
            match *lacking {
                0 => Text::default(),
                n => text!(", and {} directions of the first unit stand for both", n),
            }
        },
        Contradiction::AnglesOfOneUnit => {
            "one unit of the pair was measured by angles and the other was not: only averaged curves are compared, and the audit is as careful as with those alone".into()
        }
        Contradiction::UnitsUnalike { difference_db, at_hz } => text!("the units differ by {} at {}: two units of one kind seldom do, so one may be faulty or measured otherwise", db(*difference_db, 1), hz(*at_hz)),
        _ => Text::default(),
    }
}
