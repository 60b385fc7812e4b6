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

/// How well the speaker takes EQ, what stays wrong, and the price.
pub fn statement(plan: &Plan) -> String {
    let mut text = format!("{} {}: ", plan.speaker, grade_words(plan.grade()));
    let before_db = plan.deviation_before_db();
    let after_db = plan.deviation_after_db();
    match (plan.audit.reach, plan.prediction.yield_share) {
        (Some(reach), Some(share)) => {
            text += &format!(
                "of the audible deviation from the target \"{}\" ({before_db:.1} dB rms) an ideal EQ may remove {:.0} % of the energy; {} of {} remove {:.0} % and leave {after_db:.1} dB.",
                plan.target.name,
                100.0 * reach,
                stages_words(plan.fit.stages.len()),
                plan.device.name,
                100.0 * share,
            )
        }
        _ => {
            text += &format!(
                "with {before_db:.1} dB rms of audible deviation from the target \"{}\" there is nothing worth correcting.",
                plan.target.name
            )
        }
    }
    text += &match plan.prediction.price_db {
        price if price > 0.0 => format!(" The price is {price:.1} dB of headroom."),
        _ => " It costs no headroom.".to_string(),
    };
    let mut left: Vec<_> = plan
        .audit
        .findings
        .iter()
        .filter(|f| f.decision != Decision::Correct && f.cause != Cause::BandEdge)
        .collect();
    left.sort_by(|a, b| b.size_db.abs().total_cmp(&a.size_db.abs()));
    if !left.is_empty() {
        let list: Vec<String> = left
            .iter()
            .take(4)
            .map(|f| {
                format!(
                    "{} ({:+.1} dB, {})",
                    spoken_hz(f.peak_hz),
                    f.size_db,
                    f.cause
                )
            })
            .collect();
        text += &format!(" What stays, whatever EQ is used: {}", list.join(", "));
        if left.len() > list.len() {
            text += &format!(" and {} smaller", left.len() - list.len());
        }
        text += ".";
    }
    if plan.audit.averages_only {
        text += " Only averaged curves were at hand, so narrow dips were left alone unasked.";
    }
    text
}

/// `no stages`, `one stage`, `7 stages`.
pub fn stages_words(count: usize) -> String {
    match count {
        0 => "no stages".into(),
        1 => "one stage".into(),
        n => format!("{n} stages"),
    }
}
