//! The statement a reviewer can paste.

use crate::audit::{Cause, Decision, spoken_hz};
use crate::predict::{Grade, Plan};

pub use crate::filter_list::CAUTIONS;

/// The verdict in a few words, as in `takes EQ well`.
pub fn grade_words(grade: Grade) -> &'static str {
    match grade {
        Grade::NeedsLittle => "needs little EQ",
        Grade::Well => "takes EQ well",
        Grade::Partly => "takes EQ in part",
        Grade::Stubborn => "hardly takes EQ",
    }
}

/// A share as a whole percentage, a dash where there is none.
pub fn percent(share: Option<f64>) -> String {
    share.map_or("-".into(), |share| format!("{:.0} %", 100.0 * share))
}

/// So many of the deviations that stay are named; the others are counted.
const NAMED_AT_MOST: usize = 4;

/// Two sentences, and one of the room where something was said of it: how well the speaker takes EQ and at what price, and what stays wrong.
pub fn statement(plan: &Plan) -> String {
    let room = super::room::sentence(plan);
    format!("{} {}{room}", verdict(plan), what_stays(plan))
}

fn verdict(plan: &Plan) -> String {
    let opening = format!("{} {}", plan.speaker, grade_words(plan.grade()));
    let before_db = plan.deviation_before_db();
    let stages = plan.correcting_stages();
    let [remove, leave, cost] = match stages {
        1 => ["removes", "leaves", "costs"],
        _ => ["remove", "leave", "cost"],
    };
    let price = match plan.prediction.price_db {
        price if price > 0.0 => format!("{cost} {price:.1} dB of headroom"),
        _ => format!("{cost} no headroom"),
    };
    match (plan.audit.reach, plan.prediction.yield_share) {
        (Some(_), Some(share)) => format!(
            "{opening}: of the audible deviation from the target \"{}\" ({before_db:.1} dB rms) an ideal EQ may remove {} of the energy, and {} of {} {remove} {}, {leave} {:.1} dB and {price}.",
            plan.target.name,
            percent(plan.audit.reach),
            stages_words(stages),
            plan.device.name,
            percent(Some(share)),
            plan.deviation_after_db(),
        ),
        _ => format!(
            "{opening}: with {before_db:.1} dB rms of audible deviation from the target \"{}\" there is nothing worth correcting.",
            plan.target.name
        ),
    }
}

fn what_stays(plan: &Plan) -> String {
    let mut left: Vec<_> = plan
        .audit
        .findings
        .iter()
        .filter(|f| f.decision == Decision::Leave && f.cause != Cause::BandEdge)
        // The room has a sentence of its own.
        .filter(|f| f.cause != Cause::Room)
        .collect();
    left.sort_by(|a, b| b.size_db.abs().total_cmp(&a.size_db.abs()));
    let mut text = if left.is_empty() {
        String::from("Nothing worth speaking of has to be left alone")
    } else {
        let named: Vec<String> = left
            .iter()
            .take(NAMED_AT_MOST)
            .map(|f| {
                let place = spoken_hz(f.peak_hz);
                format!("{place} ({:+.1} dB, {})", f.size_db, f.cause)
            })
            .collect();
        format!("What stays, whatever EQ is used: {}", named.join(", "))
    };
    if left.len() > NAMED_AT_MOST {
        text += &format!(" and {} smaller", left.len() - NAMED_AT_MOST);
    }
    if plan.audit.averages_only {
        text += "; only averaged curves were at hand, so narrow dips were left alone unasked";
    }
    text + "."
}

/// `no stages`, `one stage`, `7 stages`.
pub fn stages_words(count: usize) -> String {
    match count {
        0 => "no stages".into(),
        1 => "one stage".into(),
        n => format!("{n} stages"),
    }
}
