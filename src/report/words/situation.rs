//! Aim, subwoofer, level, load and seat: a few sentences each.

use crate::aim::{BEAM_EDGE_DB, Beam, HOLDS_WITHIN_DB, Hold};
use crate::budget::{
    COMPRESSION_DB, DISTORTION_LOW_PERCENT, DISTORTION_PERCENT, Ease, FALLS_DB, LOW_HZ, Law, Load,
    LowEnd, Order,
};
use crate::predict::Plan;
use crate::predict::situation::{AimTaken, CrossoverTaken, LevelBudget};
use crate::report::span::{Quantity, Text, db, exact, hz, name, number, percent, quantity, text};
use crate::seats::{BelowCrossover, SeatAfter};

/// Where the listener sits.
pub fn aim(aim: &AimTaken) -> Vec<Text> {
    let between = match aim.between {
        true => " or, here, between their measured neighbours",
        false => "",
    };
    vec![
        text! {
            "Listened to {} to the {} side of the speaker's own axis: axis, listening window, reflections and in-room curve are formed round that direction; the sound power stays.",
            exact(aim.aim_deg.abs(), "degrees"), side(aim.aim_deg)
        },
        text! {
            "Horizontal angles stand as measured{}. The vertical ones were measured over the speaker's own axis; over the new one they are taken for changed by what the horizontal plane changes, times the cosine of their angle. That is an approximation: it cannot see tilted lobes.",
            between
        },
    ]
}

/// The side of an angle, degrees.
pub fn side(angle_deg: f64) -> &'static str {
    match angle_deg > 0.0 {
        true => "positive",
        false => "negative",
    }
}

/// The crossover to a subwoofer.
pub fn crossover(taken: &CrossoverTaken, plan: &Plan) -> Vec<Text> {
    let crossover = &taken.crossover;
    let wanted = crossover.wanted;
    let at = hz(wanted.f_hz);
    let slope = db(wanted.order.slope_db_per_oct(), 0);
    let device = || name(&plan.device.name);
    let highpass = match crossover.highpass.first() {
        Some(first) => text! {
            "The list starts with a highpass of {} per octave at {}, Q {}: it takes {} of the {} stages of {}, {} correct.",
            slope, hz(first.f0_hz), number(first.q, 3), crossover.highpass.len(),
            plan.device.stages, device(), plan.fit.stages.len()
        },
        None => text! {
            "{} has no stages for the highpass, so the list has none: the highpass of {} per octave at {} must stand elsewhere.",
            device(), slope, at
        },
    };
    let lowpass = match crossover.lowpass.first() {
        Some(first) => text! {
            "subwoofer.txt holds the lowpass for it, {} per octave at {}, with the same gain in front; set the subwoofer's level by measurement or by ear.",
            slope, hz(first.f0_hz)
        },
        None => text! {
            "There is no list for the subwoofer, since {} has no stages for a lowpass: set {} per octave at {} there.",
            device(), slope, at
        },
    };
    let mut said = vec![highpass, lowpass];
    said.extend(taken.room.as_ref().map(|room| below_crossover(room, at)));
    said.push(text! {
        "Both halves are {}{}",
        db(6.0, 0),
        match wanted.order {
            Order::Fourth => " down there and in phase.",
            Order::Second => {
                " down there and in opposite phase: reverse the polarity of the subwoofer."
            }
        }
    });
    said.push(text!("The speaker's own low roll-off comes on top of the highpass and steepens it. Nothing is corrected below {} and nothing boosted there; curves and yield are those without the highpass, since below it the subwoofer takes over.", at));
    let level = plan.situation.level.as_ref();
    let measured =
        level.and_then(|level| Some(level.playable_db? - level.playable_without_highpass_db?));
    said.push(match (measured, taken.excursion_gain_db) {
        (Some(gain_db), _) => text!("By the tables of what it plays cleanly the speaker gains {} of level by the highpass.", db(gain_db, 1)),
        (None, Some(gain_db)) => text!("By excursion alone the speaker gains up to {} of level ({} for each octave that it is spared); ports, voice coil and amplifier may set other limits, and without tables of distortion that is all that can be stated.", db(gain_db, 1), db(12.0, 0)),
        (None, None) => {
            "How much level is gained cannot be stated: neither the speaker's corner nor its limits are known.".into()
        }
    });
    said
}

/// What the subwoofer's list does about the room below the crossover.
fn below_crossover(room: &BelowCrossover, at: Quantity) -> Text {
    let Some((judged, outcome)) = room.judged.as_ref().zip(room.outcome.as_ref()) else {
        return text! {
            "The seats measured with the subwoofer say nothing of what lies below {}, so its list cuts nothing there.",
            at
        };
    };
    if judged.peaks.is_empty() {
        return text! {
            "The seats measured with the subwoofer share no peak below {} that can be cut for all, so its list cuts nothing there.",
            at
        };
    }
    if room.stages.is_empty() {
        return text! {
            "The seats measured with the subwoofer share peaks below {}, but its list has no stage left that may cut them: they stay.",
            at
        };
    }
    let cuts = room
        .stages
        .iter()
        .map(|s| text!("{} at {}", db(-s.gain_db, 1), hz(s.f0_hz)));
    let share = |s: &SeatAfter| s.variance_after_db2 / s.variance_before_db2;
    let shares = || outcome.seats.iter().map(share);
    text! {
        "That list also cuts what all seats measured with the subwoofer share below {}: {}. Their variance there falls to {} to {} of what it was.{} Where the subwoofer is moved, measure again.",
        at, Text::joined(cuts, ", "), number(100.0 * shares().fold(f64::INFINITY, f64::min), 0),
        percent(shares().fold(0.0, f64::max)),
        match judged.peaks.len().saturating_sub(room.stages.len()) {
            0 => Text::default(),
            1 => " One more shared peak stays, since the device has no more stages.".into(),
            n => text! {
                " {} more shared peaks stay, since the device has no more stages.",
                n
            },
        }
    }
}

/// What a level at the seat asks for.
pub fn level(level: &LevelBudget) -> Vec<Text> {
    let wanted = &level.wanted;
    let metre = quantity(1.0, 0, "m");
    let [free_db, room_db] = [Law::FreeField, Law::Furnished].map(|l| wanted.asked_average_db(l));
    let mut said = vec![
        text! {
            "{} on average at {} from both speakers together asks each of {} at {} by the free-field law ({} for each doubling of the distance), {} by the rule for furnished rooms ({}; common practice). The free-field figure counts below, the cautious one.",
            exact(wanted.level_db, "dB"), exact(wanted.distance_m, "m"), db(free_db, 1), metre,
            db(6.0, 0), db(room_db, 1), db(3.0, 0)
        },
        text! {
            "Peaks stand {} above it (common practice): {} at {}, taken for carried by any one frequency.",
            db(wanted.peaks_db, 0), db(free_db + wanted.peaks_db, 1), metre
        },
    ];
    said.push(clean(level));
    if let Some(beyond) = level.beyond_tables {
        said.push(text!("At {} peaks ask for {} and the tables end at {} without a limit: above {} on average at the seat nothing is known there.", hz(beyond.f_hz), db(beyond.asked_db, 1), db(beyond.clean_db, 1), db(wanted.level_db - beyond.excess_db(), 0)));
    }
    said.push(match level.peak_v {
        Some(peak_v) => text!("Peaks take {} rms from the amplifier, {} into {} and {} into {}.", quantity(peak_v, 0, "V"), quantity(peak_v * peak_v / 8.0, 0, "W"), quantity(8.0, 0, "ohm"), quantity(peak_v * peak_v / 4.0, 0, "W"), quantity(4.0, 0, "ohm")),
        None => "What the amplifier must give cannot be stated: the measurement states no drive_v and distance_m.".into(),
    });
    said.push("Prolonged high levels harm hearing: follow local occupational rules, and note that peaks at this distance are louder still near the speaker.".into());
    said
}

/// How far the speaker stays below its limits.
fn clean(level: &LevelBudget) -> Text {
    let distortion = text! {
        "{} distortion above {} and {} below (common practice)",
        quantity(DISTORTION_PERCENT, 0, "%"), quantity(LOW_HZ, 0, "Hz"),
        quantity(DISTORTION_LOW_PERCENT, 0, "%")
    };
    let compression = text!("{} of compression (common practice)", db(COMPRESSION_DB, 0));
    let limits = match level.tables {
        [false, false] => {
            return "No table of distortion or compression is at hand, so it is not known where the speaker stops playing this cleanly. Boosts were not limited for it.".into();
        }
        [true, false] => distortion,
        [false, true] => compression,
        [true, true] => text!("{} and {}", distortion, compression),
    };
    let (Some(worst), Some(playable_db)) = (level.worst, level.playable_db) else {
        return text!("Limits: {}. The tables reach none of them.", limits);
    };
    text! {
        "Limits: {}. With the plan the tightest place is {}: {} asked, {} clean, {}{}. By these tables it plays up to {} on average at the seat; what they do not cover may end earlier.",
        limits, hz(worst.f_hz), db(worst.asked_db, 1), db(worst.clean_db, 1),
        db(worst.excess_db().abs(), 1), if worst.excess_db() > 0.0 { " too much" } else { " left" },
        db(playable_db, 0)
    }
}

/// Corners and sensitivity.
pub fn low_end(low_end: &LowEnd, trusted_from_hz: Option<f64>) -> Text {
    let corners = FALLS_DB
        .iter()
        .zip(low_end.corners_hz)
        .map(|(fall_db, corner_hz)| {
            let fall = text!("F{}", number(*fall_db, 0));
            match corner_hz {
                Some(corner_hz) => text!("{} {}", fall, hz(corner_hz)),
                None => text!("{} below {}", fall, hz(low_end.data_from_hz)),
            }
        });
    let below = |from_hz: &f64| {
        low_end
            .corners_hz
            .iter()
            .flatten()
            .any(|f_hz| f_hz < from_hz)
    };
    let untrusted = trusted_from_hz
        .filter(below)
        .map_or(Text::default(), |from_hz| {
            text! {
                " What lies below {} is outside the trusted range.",
                hz(from_hz)
            }
        });
    text! {
        "{}, against the mean of {} to {} on the axis.{}{}",
        Text::joined(corners, ", "), quantity(300.0, 0, "Hz"), quantity(3.0, 0, "kHz"), untrusted,
        match low_end.sensitivity_db {
            Some(at_db) => text!(" Sensitivity {} at {} for {}.", db(at_db, 1), quantity(1.0, 0, "m"), quantity(2.83, 2, "V")),
            None => " Its sensitivity cannot be stated, since speaker.toml does not give both distance_m and drive_v.".into(),
        }
    }
}

/// What the speaker is to an amplifier.
pub fn load(load: &Load) -> Vec<Text> {
    const RULE: &str = " (at least 80\u{a0}% of it, IEC 60268-5)";
    let ohm = |value: f64| exact(value, "ohm");
    let mut first = text! {
        "The impedance is lowest at {}: {}",
        hz(load.least.f_hz), quantity(load.least.ohm, 1, "ohm")
    };
    first += match (load.rated_ohm, load.keeps_rating(), load.allows_ohm) {
        (Some(rated), Some(true), _) => {
            text!(", which keeps to a rating of {}{}", ohm(rated), RULE)
        }
        (Some(rated), _, Some(allows)) => text! {
            ", too low for the rating of {}{}; {} would be true",
            ohm(rated), RULE, ohm(allows)
        },
        (Some(rated), _, None) => text! {
            ", too low for the rating of {} and for any usual one{}",
            ohm(rated), RULE
        },
        (None, _, Some(allows)) => text!(", which allows a rating of {}{}", ohm(allows), RULE),
        (None, _, None) => text!(", too low for any usual rating{}", RULE),
    };
    first += match load.least_epdr {
        Some(least) => text! {
            ". With its phase it heats the output stage of a class-B amplifier like {} at {} (EPDR).",
            quantity(least.ohm, 1, "ohm"), hz(least.f_hz)
        },
        None => ". Its phase is not known, so how it heats an output stage is not either.".into(),
    };
    let boosted = load.boosted.map(|boosted| {
        let mut said = text! {
            "Where the plan asks for more than before the load is hardest at {}: {} into {}",
            hz(boosted.f_hz), db(boosted.gain_db, 1).signed(), quantity(boosted.ohm, 1, "ohm")
        };
        if let Some(epdr_ohm) = boosted.epdr_ohm {
            said += text!(", EPDR {}", quantity(epdr_ohm, 1, "ohm"));
        }
        said += ".";
        said
    });
    let ease = match load.ease {
        Ease::Easy => {
            "For the owner of a receiver: an easy load; any amplifier specified for 4-ohm speakers has room to spare. The makers' limits come first."
        }
        Ease::Moderate => {
            "For the owner of a receiver: drive it at moderate level, use an output specified for 4-ohm speakers and leave air round the case. The makers' limits come first."
        }
        Ease::Hard => {
            "For the owner of a receiver: a hard load; ask for an amplifier whose maker specifies it for loads as low as this, or loud passages may switch it off. The makers' limits come first."
        }
    };
    [first]
        .into_iter()
        .chain(boosted)
        .chain([ease.into()])
        .collect()
}

/// Where the plan holds and the speaker beams.
pub fn seat(plan: &Plan) -> Vec<Text> {
    let situation = &plan.situation;
    let mut said = Vec::new();
    if let Some(hold) = &situation.vertical {
        let side = |hold: &Hold, way: &'static str| {
            let mut said = text!("to {} {}", degrees(hold.deg), way);
            if let Some(distance_m) = situation.distance_m {
                let rise_cm = 100.0 * distance_m * hold.deg.to_radians().tan();
                let at = exact(distance_m, "m");
                said += text!(" ({} at {})", quantity(rise_cm, 0, "cm"), at);
            }
            said += match hold.ends {
                Some((f_hz, off_db)) => text! {
                    ": beyond, {} is {}{}",
                    hz(f_hz), db(off_db.abs(), 1), if off_db < 0.0 { " low" } else { " high" }
                },
                None => ", as far as was looked".into(),
            };
            said
        };
        said.push(text!("In height the plan holds (within {} of the listening window, half-octave bands up to {}) {}; {}.", exact(HOLDS_WITHIN_DB, "dB"), quantity(10.0, 0, "kHz"), side(&hold.up, "up"), side(&hold.down, "down")));
    }
    if !situation.beams.is_empty() {
        said.push(text! {
            "To the sides the level falls by {} at: {}.",
            db(BEAM_EDGE_DB.abs(), 0), Text::joined(situation.beams.iter().map(beam), ", ")
        });
    }
    said
}

fn beam(beam: &Beam) -> Text {
    let side = |deg: Option<f64>, sign: &'static str| match deg {
        Some(deg) => text!("{}{}", sign, degrees(deg)),
        None => text!("nowhere up to {}{}", sign, quantity(90.0, 0, "degrees")),
    };
    let (left, right) = (beam.left_deg, beam.right_deg);
    let both = match side(left, "") == side(right, "") {
        true => side(left, ""),
        false => text!("{} and {}", side(left, "-"), side(right, "+")),
    };
    text!("{} ({})", both, hz(beam.f_hz))
}

/// An angle of whole degrees with its unit.
fn degrees(deg: f64) -> Quantity {
    match deg.round() == 1.0 {
        true => quantity(deg, 0, "degree"),
        false => quantity(deg, 0, "degrees"),
    }
}
