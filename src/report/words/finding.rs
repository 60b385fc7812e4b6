//! What the audit decided.

use crate::audit::{Cause, Decision, Finding, Ground, Witness};
use crate::predict::Plan;
use crate::report::span::{Quantity, Text, db, hz, number, percent, quantity, text};

/// The findings of a plan with their numbers, from 1.
pub fn findings(plan: &Plan) -> impl Iterator<Item = (usize, &Finding)> {
    (1..).zip(&plan.wish.findings)
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

/// What was decided: `corrected`, `63 % corrected`, `left alone`.
pub fn decided(finding: &Finding) -> Text {
    match finding.decision {
        Decision::Correct => "corrected".into(),
        Decision::Soften { share } => text!("{} corrected", percent(share)),
        Decision::Leave => "left alone".into(),
    }
}

/// One sentence with the numbers that decided, without a final period.
pub fn reason(finding: &Finding) -> Text {
    let mut said = ground(finding);
    for witness in &finding.witnesses {
        said += text!("; {}", self::witness(witness));
    }
    said += "; ";
    if let Decision::Soften { share } = finding.decision {
        said += text!("{} of it corrected", percent(share));
    } else {
        said += decided(finding);
    }
    said
}

/// What decided.
fn ground(finding: &Finding) -> Text {
    let size_db = finding.size_db;
    let size = db(size_db.abs(), 1);
    let place = hz(finding.peak_hz);
    let spread = db(finding.spread_db.unwrap_or(0.0), 1);
    let q = number(finding.q.unwrap_or(0.0), 1);
    let room = match finding.in_room_size_db {
        Some(room_db) => db(room_db, 1).signed().into(),
        None => Text::from("not known"),
    };
    let is_peak = size_db >= 0.0;
    let opening = text! {
        "{}{} at {}",
        if is_peak { "bump of " } else { "dip of " }, size, place
    };
    match finding.ground {
        Ground::Shared => text! {
            "{}, in the room's curve {}, spread over angles {}: all angles share it",
            opening, room, spread
        },
        Ground::SharedInPart => text! {
            "{}, in the room's curve {}, spread over angles {}: all angles share {} of it",
            opening, room, spread, db((finding.decision.share() * size_db).abs(), 1)
        },
        Ground::SharedBroadly => text! {
            "{}{} around {}, in the room's curve {}: all angles share it",
            if is_peak { "broad excess of " } else { "broad deficit of " }, size, place, room
        },
        Ground::Moves { movement } => text! {
            "{}, spread over angles {}, its frequency moves by {} between 0 and {} {}: two sources cancel here",
            opening, spread, quantity(movement.by_hz.abs(), 0, "Hz"),
            quantity(movement.angle_deg.abs(), 0, "degrees"), movement.orbit.name()
        },
        Ground::AnglesDisagree => text! {
            "{}, spread over angles {}, in the room's curve {}: its size depends on the angle, so it is no property of the whole sound",
            opening, spread, room
        },
        Ground::VerticalAnglesDisagree => text! {
            "{}, the horizontal angles agree but the vertical ones do not (spread {}): two sources one above the other sum differently upward and downward",
            opening, spread
        },
        Ground::NotInTheRoom => text! {
            "{}, but {} in the room's curve: a filter would mend one and spoil the other",
            opening, room
        },
        Ground::OnlyInTheRoom => text! {
            "{} in the room's curve at {} against {} in the listening window: the speaker beams differently there, and one filter moves both alike",
            room, place, db(size_db, 1).signed()
        },
        Ground::OnTheAxisOnly { on_axis_db } => text! {
            "{}, {} on the axis itself and {} in the room's curve: it belongs to one axis and averages out round it",
            opening, db(on_axis_db, 1).signed(), room
        },
        Ground::TooNarrow { limit_q } => text! {
            "{} with Q {}, narrower than a dip worth filling (Q {}): it is passed over",
            opening, q, number(limit_q, 1)
        },
        Ground::TooDeep { limit_db } => text! {
            "{}, deeper than the {} a filter may fill: that deep, something cancels",
            opening, db(limit_db, 0)
        },
        Ground::AveragesOnly => text! {
            "{} with Q {}: averaged curves alone cannot tell a shared dip from a cancellation",
            opening, q
        },
        Ground::BelowCorner { corner_hz } => text! {
            "the speaker has fallen {} at {}: below, a boost would ask for excursion and give little",
            db(6.0, 0), hz(corner_hz)
        },
        Ground::AsksTooMuch {
            boost_db,
            asked_db,
            clean_db,
        } => text! {
            "at {} a boost of {} would have peaks ask for {} at {}, and the speaker gives {} cleanly",
            place, db(boost_db, 1), db(asked_db, 0), quantity(1.0, 0, "m"), db(clean_db, 0)
        },
        Ground::NotTrusted { limit_hz } => {
            text!("beyond {} the measurement is not trusted", hz(limit_hz))
        }
        Ground::UnitsDiffer { after_db } => text! {
            "the second unit differs from the first by {} at {}{}",
            db(size_db, 1).signed(), place,
            match after_db {
                None => ": one list for both would mend one and spoil the other".into(),
                Some(after_db) =>
                    text!(", and by {} with a list for each", db(after_db, 1).signed()),
            }
        },
        Ground::RoomUnheard { transition_hz } => text! {
            "below {} the room decides what is heard, and no seats were measured there",
            hz(transition_hz)
        },
        Ground::SeatsShare { seats, sizes_db } => text! {
            "peak of {} at {} over what is round it, {}: a mode of the room that the seats share",
            size, place, at_seats(seats, sizes_db)
        },
        Ground::SeatsDisagree { seats, sizes_db } => text! {
            "peak of {} at {} in the mean, but {}: what helps one seat would spoil another",
            size, place, at_seats(seats, sizes_db)
        },
        Ground::SeatsNull { seats, at } => text! {
            "{}, at {} of {} seats: a null of the room takes any boost and gives nothing back",
            opening, at, seats
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
