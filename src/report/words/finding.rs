//! A finding in words.

use crate::audit::{Cause, Circumstance, Movement, Witness};
use crate::findings::{DOUBTFUL_BELOW, Decision, Finding, Ground, SURE_FROM, Settle};
use crate::predict::Plan;
use crate::report::span::{Quantity, Text, db, hz, number, percent, quantity, text};

/// The findings of a plan with their numbers: those to be read from 1, by ascending frequency, then
/// the minor ones.
pub fn findings(plan: &Plan) -> impl Iterator<Item = (usize, &Finding)> {
    let (minor, to_read): (Vec<_>, Vec<_>) = plan.findings.iter().partition(|f| f.is_minor());
    (1..).zip(to_read.into_iter().chain(minor))
}

/// Those that are read one by one.
pub fn to_read(plan: &Plan) -> impl Iterator<Item = (usize, &Finding)> {
    findings(plan).filter(|(_, finding)| !finding.is_minor())
}

/// A cause in plain words.
pub fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::ShallowDip => "shallow dip",
        Cause::SingleAxis => "single axis",
        Cause::BandEdge => "band edge",
        Cause::OutputLimit => "output limit",
        Cause::UnitToUnit => "unit to unit",
        other => other.name(),
    }
}

/// What the filters do: `corrected`, `43 % corrected`, `left alone`, `no stage spent`.
pub fn decided(finding: &Finding) -> Text {
    match finding.decision {
        Decision::Correct => "corrected".into(),
        Decision::Soften => text!("{} corrected", percent(finding.undone)),
        Decision::Leave => "left alone".into(),
        Decision::Unspent => "no stage spent".into(),
    }
}

/// One sentence of the finding's own numbers, without a final period.
pub fn reason(finding: &Finding) -> Text {
    let mut said = ground(finding);
    for witness in &finding.witnesses {
        said += text!("; {}", self::witness(witness));
    }
    said += text!("; {}", done(finding));
    if let Some(peak_hz) = finding.inside_hz {
        said += text!("; beside what stands at {}", hz(peak_hz));
    }
    said
}

/// A probability that a decision is right, in a word.
pub fn sure_word(sure: f64) -> &'static str {
    match sure {
        sure if sure >= SURE_FROM => "sure",
        sure if sure >= DOUBTFUL_BELOW => "likely",
        _ => "doubtful",
    }
}

/// How sure it is: `sure (96 %)`, and what would settle it where it is not.
pub fn how_sure(finding: &Finding) -> Text {
    let said = text!("{} ({})", sure_word(finding.sure), percent(finding.sure));
    match finding.settle {
        None => said,
        Some(settle) => text!("{}: {} would tell", said, self::settle(settle)),
    }
}

/// A measurement that would settle a finding.
fn settle(settle: Settle) -> &'static str {
    match settle {
        Settle::Angles => "the angles of both orbits",
        Settle::VerticalOrbit => "the vertical orbit",
        Settle::FinerSteps => "finer steps of angle and frequency",
        Settle::PortNearField => "the near field of a port or passive unit",
        Settle::Phase => "phase",
    }
}

/// What moves with its surroundings by less is not told to move, dB.
const CARRIED_DB: f64 = 0.5;

/// A finding of which the filters undo this much is a small part of something larger.
const OVERDONE: f64 = 1.5;

/// What the filters do about it, as part of the sentence.
fn done(finding: &Finding) -> Text {
    let share = percent(finding.undone.min(1.0));
    match finding.decision {
        Decision::Correct if finding.undone >= OVERDONE => text! {
            "the filters undo it and more, {} there, for what lies round it",
            db(finding.eq_db, 1).signed()
        },
        Decision::Correct if finding.undone >= 0.995 => "the filters undo it".into(),
        Decision::Correct | Decision::Soften => text!("the filters undo {} of it", share),
        Decision::Unspent => "EQ could mend it, and it is not worth a stage here".into(),
        Decision::Leave if finding.eq_db.abs() >= CARRIED_DB && finding.q.is_some() => text! {
            "left alone; the filters carry it along by {} with what is round it",
            db(finding.eq_db, 1).signed()
        },
        Decision::Leave => "left alone".into(),
    }
}

/// What was measured and what it shows.
fn ground(finding: &Finding) -> Text {
    match finding.ground {
        Ground::Shared => text!("{}: the angles share it", measured(finding)),
        Ground::Differs => text! {
            "{}: its size depends on the angle{}",
            measured(finding), cancelling(finding)
        },
        Ground::Moves { movement } => text! {
            "{}: {}{}",
            measured(finding), moving(&movement), cancelling(finding)
        },
        Ground::Beams => text! {
            "{} in the in-room curve at {} against {} in the listening window: the speaker beams differently there, and one filter moves both alike",
            level(finding.measured.room_db), hz(finding.peak_hz), level(finding.measured.window_db)
        },
        Ground::Axis => text! {
            "{} on the axis at {} against {} in the listening window: it belongs to the axis and averages out round it",
            level(finding.measured.axis_db), hz(finding.peak_hz), level(finding.measured.window_db)
        },
        Ground::Narrow { limit_q } => text! {
            "{}, Q {}: narrower than a dip worth filling (Q {})",
            measured(finding), number(finding.q.unwrap_or(0.0), 1), number(limit_q, 1)
        },
        Ground::Together => text! {
            "{}: no single number decides, all angles together do",
            measured(finding)
        },
        Ground::Known(circumstance) => known(finding, circumstance),
    }
}

/// Size, place, and what the curves have there.
fn measured(finding: &Finding) -> Text {
    let is_dip = finding.size_db < 0.0;
    let kind = match (finding.cause, is_dip) {
        (Cause::Balance, false) => "broad excess of ",
        (Cause::Balance, true) => "broad deficit of ",
        (_, false) => "bump of ",
        (_, true) => "dip of ",
    };
    let place = match finding.cause {
        Cause::Balance => " around ",
        _ => " at ",
    };
    let curves = text! {
        "listening window {}, in-room curve {}",
        level(finding.measured.window_db), level(finding.measured.room_db)
    };
    let hidden = match finding.is_hidden {
        true => ", covered by what is round it and not to be seen in the listening window",
        false => "",
    };
    let spread = match finding.spread_db {
        Some(spread_db) => text!(", spread over angles {}", db(spread_db, 1)),
        None => Text::default(),
    };
    text! {
        "{}{}{}{}{} ({}{})",
        kind, db(finding.size_db.abs(), 1), place, hz(finding.peak_hz), hidden, curves, spread
    }
}

/// A level over a target with its sign.
fn level(level_db: Option<f64>) -> Text {
    match level_db {
        Some(level_db) => db(level_db, 1).signed().into(),
        None => "not known".into(),
    }
}

fn cancelling(finding: &Finding) -> &'static str {
    match finding.cause {
        Cause::Cancellation => ", as where two sources or paths cancel",
        _ => "",
    }
}

fn moving(movement: &Movement) -> Text {
    text! {
        "its frequency moves by {} between 0 and {} {}",
        quantity(movement.by_hz.abs(), 0, "Hz"),
        quantity(movement.angle_deg.abs(), 0, "degrees"), movement.orbit.name()
    }
}

/// What is known of an end of the band, the output, the room or the other unit.
fn known(finding: &Finding, circumstance: Circumstance) -> Text {
    let size_db = finding.size_db;
    let size = db(size_db.abs(), 1);
    let place = hz(finding.peak_hz);
    match circumstance {
        Circumstance::BelowCorner { corner_hz } => text! {
            "the speaker has fallen {} at {}: below, a boost would ask for excursion and give little",
            db(6.0, 0), hz(corner_hz)
        },
        Circumstance::NotTrusted { limit_hz } => {
            text!("beyond {} the measurement is not trusted", hz(limit_hz))
        }
        Circumstance::AsksTooMuch {
            boost_db,
            asked_db,
            clean_db,
        } => text! {
            "at {} a boost of {} would have peaks ask for {} at {}, and the speaker gives {} cleanly",
            place, db(boost_db, 1), db(asked_db, 0), quantity(1.0, 0, "m"), db(clean_db, 0)
        },
        Circumstance::UnitsDiffer { after_db } => text! {
            "the second unit differs from the first by {} at {}{}",
            db(size_db, 1).signed(), place,
            match after_db {
                None => ": one list for both would mend one and spoil the other".into(),
                Some(after_db) =>
                    text!(", and by {} with a list for each", db(after_db, 1).signed()),
            }
        },
        Circumstance::RoomUnheard { transition_hz } => text! {
            "below {} the room decides what is heard, and no seats were measured there",
            hz(transition_hz)
        },
        Circumstance::SeatsShare { seats, sizes_db } => text! {
            "peak of {} at {} over what is round it, {}: a mode of the room that the seats share",
            size, place, at_seats(seats, sizes_db)
        },
        Circumstance::SeatsDisagree { seats, sizes_db } => text! {
            "peak of {} at {} in the mean, but {}: what helps one seat would spoil another",
            size, place, at_seats(seats, sizes_db)
        },
        Circumstance::SeatsNull { seats, at } => text! {
            "dip of {} at {}, at {} of {} seats: a null of the room takes any boost and gives nothing back",
            size, place, at, seats
        },
    }
}

/// Sizes at the seats.
fn at_seats(seats: usize, sizes_db: (f64, f64)) -> Text {
    match seats {
        1 => "at the one seat that was measured".into(),
        n => text! {
            "{} to {} at the {} seats",
            number(sizes_db.0, 1), db(sizes_db.1, 1), n
        },
    }
}

/// What else bears witness.
fn witness(witness: &Witness) -> Text {
    match witness {
        Witness::ExcessDelay { delay_s } => text! {
            "excess group delay {}",
            quantity(1000.0 * delay_s, 2, "ms").signed()
        },
        Witness::SecondSource { peak_hz } => {
            text!("the second source's own trace peaks at {}", hz(*peak_hz))
        }
    }
}

/// A size with its sign, as in the tables.
pub fn size(size_db: f64) -> Quantity {
    number(size_db, 1).signed()
}
