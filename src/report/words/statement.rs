//! The statement a reviewer can paste.

use super::finding::to_read;
use super::stage::stages;
use crate::audit::{Cause, WORTH_SAYING_DB};
use crate::findings::{Decision, Finding, SURE_FROM, StandsOutIn};
use crate::predict::{Grade, Plan};
use crate::report::span::{Text, db, hz, name, number, text};
use crate::seats::{Outcome, SeatAfter};

/// The verdict in a few words, as in `takes EQ well`.
pub fn grade(grade: Grade) -> &'static str {
    match grade {
        Grade::NeedsLittle => "needs little EQ",
        Grade::Well => "takes EQ well",
        Grade::Partly => "takes EQ partly",
        Grade::Hardly => "hardly takes EQ",
    }
}

/// So many of the deviations that stay are named; the others are counted.
const NAMED_AT_MOST: usize = 4;

/// How much can be mended and how much of it these stages mend, at what price; what stays whatever EQ
/// is used; how sure it is; what was done about the room.
pub fn statement(plan: &Plan) -> Text {
    let mut said = verdict(plan);
    for sentence in [
        taken_back(plan),
        what_stays(plan),
        rating_falls(plan),
        how_sure(plan),
        of_the_room(plan),
    ] {
        if !sentence.is_empty() {
            said += " ";
            said += sentence;
        }
    }
    said
}

fn verdict(plan: &Plan) -> Text {
    let mendable = &plan.mendable;
    let target = text!(
        " of audible deviation from the target \"{}\"",
        name(&plan.target.name)
    );
    let opening = text!("{} {}", name(&plan.speaker), grade(plan.grade()));
    let before = db(mendable.before_db, 1);
    if mendable.reach.is_none() {
        return text!(
            "{}: with {} rms{} there is nothing worth correcting.",
            opening,
            before,
            target
        );
    }
    let can = text! {
        "{}: of {} rms{}, {} can be mended",
        opening, before, target, db(mendable.mendable_db(), 1)
    };
    let count = plan.fit.stages.len();
    if count == 0 {
        return text!("{}, and no stage is spent on it.", can);
    }
    let [mend, leave, cost] = match count {
        1 => ["mends", "leaves", "costs"],
        _ => ["mend", "leave", "cost"],
    };
    let price = match plan.prediction.price_db {
        price_db if price_db > 0.0 => text!("{} of headroom", db(price_db, 1)),
        _ => "no headroom".into(),
    };
    text! {
        "{}; {} of {} {} {} of it, {} {} and {} {}.",
        can, stages(count), name(&plan.device.name), mend, db(mendable.mended_db(), 1), leave,
        db(mendable.after_db, 1), cost, price
    }
}

/// What stages would have made worse.
fn taken_back(plan: &Plan) -> Text {
    match plan.taken_back {
        0 => Text::default(),
        count => text! {
            "With {} more the deviation would be larger than without any, so {} taken back.",
            stages(count),
            if count == 1 { "it was" } else { "they were" }
        },
    }
}

/// A preference rating that falls by less is told in its table alone.
const RATING_FALLS_BY: f64 = 0.05;

/// What a falling preference rating means.
fn rating_falls(plan: &Plan) -> Text {
    match (plan.prediction.rating_before, plan.prediction.rating_after) {
        (Some(before), Some(after)) if before.preference - after.preference > RATING_FALLS_BY => {
            text! {
                "The preference rating falls from {} to {}: it counts smoothness within half octaves, the slope of the in-room curve and the low end, and not the distance from this target.",
                number(before.preference, 1), number(after.preference, 1)
            }
        }
        _ => Text::default(),
    }
}

/// How many of the findings that are read are sure.
fn how_sure(plan: &Plan) -> Text {
    let all = to_read(plan).count();
    let sure = to_read(plan).filter(|(_, f)| f.sure >= SURE_FROM).count();
    match (all, sure) {
        (0, _) => Text::default(),
        (1, 1) => "The one finding is sure.".into(),
        (1, _) => "The one finding is not sure.".into(),
        (all, sure) if all == sure => text!("All {} findings are sure.", all),
        (all, sure) => text!(
            "Of {} findings {} {} sure.",
            all,
            sure,
            if sure == 1 { "is" } else { "are" }
        ),
    }
}

fn what_stays(plan: &Plan) -> Text {
    let mut left: Vec<&Finding> = to_read(plan)
        .map(|(_, finding)| finding)
        .filter(|f| f.decision == Decision::Leave && f.cause != Cause::BandEdge)
        .filter(|f| f.stands_out().0.abs() >= WORTH_SAYING_DB)
        // The room has a sentence of its own.
        .filter(|f| f.cause != Cause::Room)
        .collect();
    left.sort_by(|a, b| b.stands_out().0.abs().total_cmp(&a.stands_out().0.abs()));
    let mut said = match left.is_empty() {
        true => "No significant problem stays".into(),
        false => {
            let named = left.iter().take(NAMED_AT_MOST).map(|f| {
                let (size_db, stands_out_in) = f.stands_out();
                let of = match stands_out_in {
                    StandsOutIn::Window => "",
                    StandsOutIn::Room => " in the room against the window",
                    StandsOutIn::Axis => " on the axis against the window",
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
    let basis = &plan.audit.basis;
    if basis.is_interpolated {
        said += text!(
            "; the data were interpolated from {} points per octave, so nothing narrower was judged",
            number(basis.points_per_octave, 0)
        );
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
    let below = text!("Below {}", hz(room.transition.hz()));
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
