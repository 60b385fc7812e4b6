//! The statement a reviewer can paste.

use super::finding::findings;
use super::stage::stages;
use crate::audit::{Cause, Decision, Finding, StandsOutIn};
use crate::predict::{Grade, Plan};
use crate::report::span::{Text, db, hz, name, number, percent, text};
use crate::seats::{Outcome, SeatAfter};

/// The verdict in a few words, as in `takes EQ well`.
pub fn grade(grade: Grade) -> &'static str {
    match grade {
        Grade::NeedsLittle => "needs little EQ",
        Grade::Well => "takes EQ well",
        Grade::Partly => "takes EQ in part",
        Grade::Stubborn => "hardly takes EQ",
    }
}

/// So many of the deviations that stay are named; the others are counted.
const NAMED_AT_MOST: usize = 4;

/// Two sentences, and one of the room where something was said of it: how well the speaker takes EQ
/// and at what price, and what stays wrong.
pub fn statement(plan: &Plan) -> Text {
    text! {
        "{} {}{}",
        verdict(plan), what_stays(plan), of_the_room(plan)
    }
}

fn verdict(plan: &Plan) -> Text {
    let before = db(plan.deviation_before_db(), 1);
    let target = text!(" from the target \"{}\"", name(&plan.target.name));
    let opening = text!("{} {}: ", name(&plan.speaker), grade(plan.grade()));
    let (Some(reach), Some(share)) = (plan.reach, plan.prediction.yield_share) else {
        return text! {
            "{}with {} rms of audible deviation{} there is nothing worth correcting.",
            opening, before, target
        };
    };
    let count = plan.fit.stages.len();
    let [remove, leave, cost] = match count {
        1 => [" removes ", ", leaves ", "costs "],
        _ => [" remove ", ", leave ", "cost "],
    };
    let price = match plan.prediction.price_db {
        price_db if price_db > 0.0 => text!("{} of headroom.", db(price_db, 1)),
        _ => "no headroom.".into(),
    };
    text! {
        "{}of the audible deviation{} ({} rms) an ideal EQ may remove {} of the energy, and {} of {}{}{}{}{} and {}{}",
        opening, target, before, percent(reach), stages(count), name(&plan.device.name), remove,
        percent(share), leave, db(plan.deviation_after_db(), 1), cost, price
    }
}

fn what_stays(plan: &Plan) -> Text {
    let mut left: Vec<&Finding> = findings(plan)
        .map(|(_, finding)| finding)
        .filter(|f| f.decision == Decision::Leave && f.cause != Cause::BandEdge)
        // The room has a sentence of its own.
        .filter(|f| f.cause != Cause::Room)
        .filter(|f| f.is_significant())
        .collect();
    left.sort_by(|a, b| b.stands_out().0.abs().total_cmp(&a.stands_out().0.abs()));
    let mut said = match left.is_empty() {
        true => "No significant problem remains".into(),
        false => {
            let named = left.iter().take(NAMED_AT_MOST).map(|f| {
                let (size_db, stands_out_in) = f.stands_out();
                let of = match stands_out_in {
                    StandsOutIn::Window => "",
                    StandsOutIn::Room => " in the room",
                    StandsOutIn::Axis => " on the axis",
                };
                let size = db(size_db, 1).signed();
                text!("{} ({}{}, {})", hz(f.peak_hz), size, of, f.cause.name())
            });
            text! {
                "What stays, whatever EQ is used: {}",
                Text::joined(named, ", ")
            }
        }
    };
    if left.len() > NAMED_AT_MOST {
        said += text!(" and {} smaller", left.len() - NAMED_AT_MOST);
    }
    if plan.audit.averages_only {
        said += "; only averaged curves were at hand, so narrow dips were left alone unasked";
    }
    said += ".";
    said
}

/// A peak that the filters lower by more was cut, dB.
const CUT_DB: f64 = 0.5;

/// What was done below the transition; empty when nothing was said of the room.
fn of_the_room(plan: &Plan) -> Text {
    let Some(room) = &plan.situation.room else {
        return Text::default();
    };
    let below = text!(" Below {}", hz(room.transition.hz()));
    let Some(outcome) = &room.outcome else {
        return text! {
            "{} the room decides, and what is there is left as it is.",
            below
        };
    };
    let cut = outcome.peaks.iter().filter(|p| p.gain_db < -CUT_DB).count();
    text! {
        "{}{} decide: {}, nulls and differences between seats are left, and the mean deviation of a seat goes from {} to {} rms.",
        below,
        match outcome.seats.len() {
            1 => " the one seat".into(),
            n => text!(" the {} seats", n),
        },
        match cut {
            0 => "no peak is shared and none cut".into(),
            1 => "one shared peak is cut".into(),
            n => text!("{} shared peaks are cut", n),
        },
        number(mean_db(outcome, |seat| seat.variance_before_db2), 1),
        db(mean_db(outcome, |seat| seat.variance_after_db2), 1)
    }
}

/// Deviation within the zone over all seats, dB rms.
fn mean_db(outcome: &Outcome, variance_db2: fn(&SeatAfter) -> f64) -> f64 {
    let count = outcome.seats.len() as f64;
    (outcome.seats.iter().map(variance_db2).sum::<f64>() / count).sqrt()
}
