//! What is said of aim, subwoofer, level, load and seat: one heading and a few sentences each.

use crate::aim::{BEAM_EDGE_DB, Beam, HOLDS_WITHIN_DB, Hold};
use crate::audit::spoken_hz;
use crate::budget::{
    COMPRESSION_DB, DISTORTION_LOW_PERCENT, DISTORTION_PERCENT, Ease, FALLS_DB, LOW_HZ, Law, Load,
    LowEnd, Order,
};
use crate::predict::Plan;
use crate::predict::situation::{AimTaken, CrossoverTaken, LevelBudget};
use crate::seats::{BelowCrossover, SeatAfter};

/// A heading and what stands below it.
pub struct Part {
    /// Heading.
    pub heading: &'static str,
    /// Whole sentences.
    pub sentences: Vec<String>,
}

/// What was asked for: aim, subwoofer, level.
pub fn asked(plan: &Plan) -> Vec<Part> {
    let situation = &plan.situation;
    let mut parts = Vec::new();
    let mut part = |heading, sentences| parts.push(Part { heading, sentences });
    if let Some(aim) = &situation.aim {
        part("Aim", aim_words(aim));
    }
    if let Some(taken) = &plan.crossover {
        part("Subwoofer", crossover_words(taken, plan));
    }
    if let Some(level) = &situation.level {
        part("Level budget", level_words(level));
    }
    parts
}

/// What can be said without being asked: low end and load, where to sit.
pub fn advice(plan: &Plan) -> Vec<Part> {
    let situation = &plan.situation;
    let mut parts = Vec::new();
    let mut figures: Vec<String> = Vec::new();
    let trusted_from_hz = plan.trusted.from_hz;
    figures.extend(
        situation
            .low_end
            .as_ref()
            .map(|l| low_end_words(l, trusted_from_hz)),
    );
    match &situation.load {
        Some(load) => figures.extend(load_words(load)),
        None => figures.push(
            "The impedance was not measured, so nothing can be said of the load for an amplifier."
                .into(),
        ),
    }
    parts.push(Part {
        heading: "Low end, sensitivity and load",
        sentences: figures,
    });
    let seat = seat_words(plan);
    if !seat.is_empty() {
        parts.push(Part {
            heading: "Where to sit",
            sentences: seat,
        });
    }
    parts
}

fn aim_words(aim: &AimTaken) -> Vec<String> {
    let between = if aim.between {
        " or, here, between their measured neighbours"
    } else {
        ""
    };
    vec![
        format!(
            "Listened to {} degrees to the {} side of the speaker's own axis: axis, listening window, reflections and in-room curve are formed round that direction; the sound power stays.",
            aim.aim_deg.abs(),
            if aim.aim_deg > 0.0 {
                "positive"
            } else {
                "negative"
            }
        ),
        format!(
            "Horizontal angles stand as measured{between}. The vertical ones were measured over the speaker's own axis; over the new one they are taken for changed by what the horizontal plane changes, times the cosine of their angle. That is an approximation: it knows nothing of lobes that stand askew."
        ),
    ]
}

fn crossover_words(taken: &CrossoverTaken, plan: &Plan) -> Vec<String> {
    let crossover = &taken.crossover;
    let wanted = crossover.wanted;
    let at = spoken_hz(wanted.f_hz);
    let slope = wanted.order.slope_db_per_oct();
    let mut words = Vec::new();
    if let Some(first) = crossover.highpass.first() {
        let count = crossover.highpass.len();
        words.push(format!(
            "The list starts with a highpass of {slope:.0} dB per octave at {}, Q {:.3}: it takes {count} of the {} stages of {}, {} correct.",
            spoken_hz(first.f0_hz),
            first.q,
            plan.device.stages,
            plan.device.name,
            plan.fit.stages.len()
        ));
    } else {
        words.push(format!(
            "{} has no stages for the highpass, so the list has none: the highpass of {slope:.0} dB per octave at {at} must stand elsewhere.",
            plan.device.name
        ));
    }
    words.push(match crossover.lowpass.first() {
        Some(first) => format!(
            "subwoofer.txt holds the lowpass for it, {slope:.0} dB per octave at {}, with the same gain in front; set the subwoofer's level by measurement or by ear.",
            spoken_hz(first.f0_hz)
        ),
        None => format!(
            "There is no list for the subwoofer, since {} has no stages for a lowpass: set {slope:.0} dB per octave at {at} there.",
            plan.device.name
        ),
    });
    if let Some(room) = &taken.room {
        words.push(below_crossover_words(room, &at));
    }
    words.push(match wanted.order {
        Order::Fourth => "Both halves are 6 dB down there and in phase.".to_string(),
        Order::Second => "Both halves are 6 dB down there and in opposite phase: reverse the polarity of the subwoofer.".to_string(),
    });
    words.push(format!(
        "The speaker's own low roll-off comes on top of the highpass and steepens it. Nothing is corrected below {at} and nothing boosted there; curves and yield are those without the highpass, since below it the subwoofer takes over."
    ));
    let measured = plan
        .situation
        .level
        .as_ref()
        .and_then(|level| Some(level.playable_db? - level.playable_without_highpass_db?));
    words.push(match (measured, taken.excursion_gain_db) {
        (Some(gain_db), _) => format!(
            "By the tables of what it plays cleanly the speaker gains {gain_db:.1} dB of level by the highpass."
        ),
        (None, Some(gain_db)) => format!(
            "By excursion alone the speaker gains up to {gain_db:.1} dB of level (12 dB for each octave that it is spared); ports, voice coil and amplifier may set other limits, and without tables of distortion that is all that can be said."
        ),
        (None, None) => "How much level is gained cannot be said: neither the speaker's corner nor its limits are known.".to_string(),
    });
    words
}

/// What the subwoofer's list does about the room below `at`.
fn below_crossover_words(room: &BelowCrossover, at: &str) -> String {
    let Some((judged, outcome)) = room.judged.as_ref().zip(room.outcome.as_ref()) else {
        return format!(
            "The seats measured with the subwoofer say nothing of what lies below {at}, so its list cuts nothing there."
        );
    };
    if judged.peaks.is_empty() {
        return format!(
            "The seats measured with the subwoofer share no peak below {at} that can be cut for all, so its list cuts nothing there."
        );
    }
    if room.stages.is_empty() {
        return format!(
            "The seats measured with the subwoofer share peaks below {at}, but its list has no stage left that may cut them: they stay."
        );
    }
    let cuts: Vec<String> = room
        .stages
        .iter()
        .map(|s| format!("{:.1} dB at {}", -s.gain_db, spoken_hz(s.f0_hz)))
        .collect();
    let share = |s: &SeatAfter| 100.0 * s.variance_after_db2 / s.variance_before_db2;
    let shares = || outcome.seats.iter().map(share);
    let stay = judged.peaks.len().saturating_sub(room.stages.len());
    let stay = match stay {
        0 => String::new(),
        1 => " One more shared peak stays, since the device has no more stages.".to_string(),
        n => format!(" {n} more shared peaks stay, since the device has no more stages."),
    };
    format!(
        "That list also cuts what all seats measured with the subwoofer share below {at}: {}. Their variance there falls to {:.0} to {:.0} % of what it was.{stay} Where the subwoofer is moved, measure again.",
        cuts.join(", "),
        shares().fold(f64::INFINITY, f64::min),
        shares().fold(0.0, f64::max)
    )
}

fn level_words(level: &LevelBudget) -> Vec<String> {
    let wanted = &level.wanted;
    let [free_db, room_db] =
        [Law::FreeField, Law::Furnished].map(|law| wanted.asked_average_db(law));
    let mut words = vec![
        format!(
            "{} dB on average at {} m from both speakers together asks each of {free_db:.1} dB at 1 m by the free-field law (6 dB for each doubling of the distance), {room_db:.1} dB by the rule for furnished rooms (3 dB; common practice). The free-field figure counts below, the cautious one.",
            wanted.level_db, wanted.distance_m
        ),
        format!(
            "Peaks stand {:.0} dB above it (common practice): {:.1} dB at 1 m, taken for carried by any one frequency.",
            wanted.peaks_db,
            free_db + wanted.peaks_db
        ),
    ];
    let limits = match level.tables {
        [false, false] => None,
        [true, false] => Some(distortion_words()),
        [false, true] => Some(compression_words()),
        [true, true] => Some(format!(
            "{} and {}",
            distortion_words(),
            compression_words()
        )),
    };
    match (limits, level.worst, level.playable_db) {
        (None, _, _) => words.push("No table of distortion or compression is at hand, so it is not known where the speaker stops playing this cleanly. Boosts were not limited for it.".into()),
        (Some(limits), Some(worst), Some(playable_db)) => {
            let verb = if worst.excess_db() > 0.0 { "too much" } else { "left" };
            words.push(format!(
                "Limits: {limits}. With the plan the tightest place is {}: {:.1} dB asked, {:.1} dB clean, {:.1} dB {verb}. By these tables it plays up to {playable_db:.0} dB on average at the seat; what they do not cover may end earlier.",
                spoken_hz(worst.f_hz),
                worst.asked_db,
                worst.clean_db,
                worst.excess_db().abs()
            ));
        }
        (Some(limits), _, _) => words.push(format!(
            "Limits: {limits}. The tables reach none of them."
        )),
    }
    if let Some(beyond) = level.beyond_tables {
        words.push(format!(
            "At {} peaks ask for {:.1} dB and the tables end at {:.1} dB without a limit: above {:.0} dB on average at the seat nothing is known there.",
            spoken_hz(beyond.f_hz),
            beyond.asked_db,
            beyond.clean_db,
            wanted.level_db - beyond.excess_db()
        ));
    }
    words.push(match level.peak_v {
        Some(peak_v) => format!(
            "Peaks take {peak_v:.0} V rms from the amplifier, {:.0} W into 8 ohm and {:.0} W into 4 ohm.",
            peak_v * peak_v / 8.0,
            peak_v * peak_v / 4.0
        ),
        None => "What the amplifier must give cannot be said: the measurement states no drive_v and distance_m.".into(),
    });
    words.push("Prolonged high levels harm hearing: follow local occupational rules, and mind that peaks at this distance are louder still near the speaker.".into());
    words
}

fn distortion_words() -> String {
    format!(
        "{DISTORTION_PERCENT:.0} % distortion above {LOW_HZ:.0} Hz and {DISTORTION_LOW_PERCENT:.0} % below (common practice)"
    )
}

fn compression_words() -> String {
    format!("{COMPRESSION_DB:.0} dB of compression (common practice)")
}

fn low_end_words(low_end: &LowEnd, trusted_from_hz: Option<f64>) -> String {
    let corners: Vec<String> = FALLS_DB
        .iter()
        .zip(low_end.corners_hz)
        .map(|(fall_db, corner_hz)| match corner_hz {
            Some(corner_hz) => format!("F{fall_db:.0} {}", spoken_hz(corner_hz)),
            None => format!("F{fall_db:.0} below {}", spoken_hz(low_end.data_from_hz)),
        })
        .collect();
    let sensitivity = match low_end.sensitivity_db {
        Some(db) => format!("Sensitivity {db:.1} dB at 1 m for 2.83 V"),
        None => "Its sensitivity cannot be said, since speaker.toml does not state both distance_m and drive_v".into(),
    };
    let untrusted = trusted_from_hz
        .filter(|from_hz| {
            low_end
                .corners_hz
                .iter()
                .flatten()
                .any(|corner_hz| corner_hz < from_hz)
        })
        .map_or(String::new(), |from_hz| {
            format!(
                " What lies below {} is outside the trusted range.",
                spoken_hz(from_hz)
            )
        });
    format!(
        "{}, against the mean of 300 Hz to 3 kHz on the axis.{untrusted} {sensitivity}.",
        corners.join(", ")
    )
}

fn load_words(load: &Load) -> Vec<String> {
    let mut first = format!(
        "The impedance is lowest at {}: {:.1} ohm",
        spoken_hz(load.least.f_hz),
        load.least.ohm
    );
    first += &match (load.rated_ohm, load.keeps_rating(), load.allows_ohm) {
        (Some(rated), Some(true), _) => {
            format!(", which keeps to a rating of {rated} ohm (at least 80 % of it, IEC 60268-5)")
        }
        (Some(rated), _, Some(allows)) => format!(
            ", too low for the rating of {rated} ohm (at least 80 % of it, IEC 60268-5); {allows} ohm would be true"
        ),
        (Some(rated), _, None) => format!(
            ", too low for the rating of {rated} ohm and for any usual one (at least 80 % of it, IEC 60268-5)"
        ),
        (None, _, Some(allows)) => {
            format!(", which allows a rating of {allows} ohm (at least 80 % of it, IEC 60268-5)")
        }
        (None, _, None) => {
            ", too low for any usual rating (at least 80 % of it, IEC 60268-5)".into()
        }
    };
    if let Some(least) = load.least_epdr {
        first += &format!(
            ". With its phase it heats the output stage of a class-B amplifier like {:.1} ohm at {} (EPDR)",
            least.ohm,
            spoken_hz(least.f_hz)
        );
    } else {
        first += ". Its phase is not known, so how it heats an output stage is not either";
    }
    let mut words = vec![first + "."];
    if let Some(boosted) = load.boosted {
        let epdr = boosted
            .epdr_ohm
            .map_or(String::new(), |epdr| format!(", EPDR {epdr:.1} ohm"));
        words.push(format!(
            "Where the plan asks for more than before the load is hardest at {}: {:+.1} dB into {:.1} ohm{epdr}.",
            spoken_hz(boosted.f_hz),
            boosted.gain_db,
            boosted.ohm
        ));
    }
    words.push(
        match load.ease {
            Ease::Easy => "For the owner of a receiver: an easy load; any amplifier specified for 4-ohm speakers has room to spare. The makers' limits come first.",
            Ease::Moderate => "For the owner of a receiver: drive it at moderate level, use an output specified for 4-ohm speakers and leave air round the case. The makers' limits come first.",
            Ease::Hard => "For the owner of a receiver: a hard load; ask for an amplifier whose maker specifies it for loads as low as this, or loud passages may switch it off. The makers' limits come first.",
        }
        .into(),
    );
    words
}

fn seat_words(plan: &Plan) -> Vec<String> {
    let mut words = Vec::new();
    if let Some(hold) = &plan.situation.vertical {
        let side = |hold: &Hold, way: &str| {
            let at = plan.situation.distance_m.map_or(String::new(), |m| {
                format!(
                    " ({:.0} cm at {m} m)",
                    100.0 * m * hold.deg.to_radians().tan()
                )
            });
            let end = match hold.ends {
                Some((f_hz, db)) => format!(": beyond, {} is {db:+.1} dB off", spoken_hz(f_hz)),
                None => ", as far as was looked".into(),
            };
            format!("to {} {way}{at}{end}", degrees(hold.deg))
        };
        words.push(format!(
            "In height the plan holds (within {HOLDS_WITHIN_DB} dB of the listening window, half-octave bands up to 10 kHz) {}; {}.",
            side(&hold.up, "up"),
            side(&hold.down, "down")
        ));
    }
    if !plan.situation.beams.is_empty() {
        let beams: Vec<String> = plan.situation.beams.iter().map(beam_words).collect();
        words.push(format!(
            "To the sides the level falls by {:.0} dB at: {}.",
            BEAM_EDGE_DB.abs(),
            beams.join(", ")
        ));
    }
    words
}

fn beam_words(beam: &Beam) -> String {
    let side = |deg: Option<f64>, sign: &str| match deg {
        Some(deg) => format!("{sign}{}", degrees(deg)),
        None => format!("nowhere up to {sign}90 degrees"),
    };
    let (left, right) = (beam.left_deg, beam.right_deg);
    let both = if side(left, "") == side(right, "") {
        side(left, "")
    } else {
        format!("{} and {}", side(left, "-"), side(right, "+"))
    };
    format!("{both} ({})", spoken_hz(beam.f_hz))
}

/// An angle of whole degrees with its unit.
fn degrees(deg: f64) -> String {
    match format!("{deg:.0}").as_str() {
        "1" => "1 degree".into(),
        number => format!("{number} degrees"),
    }
}
