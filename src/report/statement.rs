//! The statement a reviewer can paste.

use crate::audit::{Cause, Decision, Finding, Ground, WORTH_SAYING_DB, spoken_hz};
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
    let stages = plan.fit.stages.len();
    let [remove, leave, cost] = match stages {
        1 => ["removes", "leaves", "costs"],
        _ => ["remove", "leave", "cost"],
    };
    let price = match plan.prediction.price_db {
        price if price > 0.0 => format!("{cost} {price:.1} dB of headroom"),
        _ => format!("{cost} no headroom"),
    };
    match (plan.reach, plan.prediction.yield_share) {
        (Some(_), Some(share)) => format!(
            "{opening}: of the audible deviation from the target \"{}\" ({before_db:.1} dB rms) an ideal EQ may remove {} of the energy, and {} of {} {remove} {}, {leave} {:.1} dB and {price}.",
            plan.target.name,
            percent(plan.reach),
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
        .wish
        .findings
        .iter()
        .filter(|f| f.decision == Decision::Leave && f.cause != Cause::BandEdge)
        // The room has a sentence of its own.
        .filter(|f| f.cause != Cause::Room)
        .filter(|f| stands_out(f).0.abs() >= WORTH_SAYING_DB)
        .collect();
    left.sort_by(|a, b| stands_out(b).0.abs().total_cmp(&stands_out(a).0.abs()));
    let mut text = if left.is_empty() {
        String::from("Nothing worth speaking of has to be left alone")
    } else {
        let named: Vec<String> = left
            .iter()
            .take(NAMED_AT_MOST)
            .map(|f| {
                let place = spoken_hz(f.peak_hz);
                let (size_db, of) = stands_out(f);
                format!("{place} ({size_db:+.1} dB{of}, {})", f.cause)
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

/// Size of what is left alone in the curve in which it stands out, dB, and that curve's name where it
/// is not the listening window.
fn stands_out(finding: &Finding) -> (f64, &'static str) {
    let elsewhere = match finding.ground {
        Ground::OnlyInTheRoom => finding.in_room_size_db.map(|db| (db, " in the room")),
        Ground::OnTheAxisOnly { on_axis_db } => Some((on_axis_db, " on the axis")),
        _ => None,
    };
    elsewhere
        .filter(|(size_db, _)| size_db.abs() > finding.size_db.abs())
        .unwrap_or((finding.size_db, ""))
}

/// `no stages`, `one stage`, `7 stages`.
pub fn stages_words(count: usize) -> String {
    match count {
        0 => "no stages".into(),
        1 => "one stage".into(),
        n => format!("{n} stages"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn left(size_db: f64, in_room_size_db: f64, cause: Cause, ground: Ground) -> Finding {
        Finding {
            from_hz: 900.0,
            to_hz: 1100.0,
            peak_hz: 1000.0,
            size_db,
            in_room_size_db: Some(in_room_size_db),
            q: None,
            spread_db: None,
            cause,
            decision: Decision::Leave,
            witnesses: Vec::new(),
            ground,
        }
    }

    #[test]
    fn what_stays_is_told_in_the_curve_in_which_it_stands_out() {
        let swing = left(-0.1, -2.4, Cause::Directivity, Ground::OnlyInTheRoom);
        assert_eq!(stands_out(&swing), (-2.4, " in the room"));
        let on_axis = Ground::OnTheAxisOnly { on_axis_db: 3.0 };
        let ripple = left(0.5, 0.1, Cause::SingleAxis, on_axis);
        assert_eq!(stands_out(&ripple), (3.0, " on the axis"));
        let null = left(-6.0, -7.0, Cause::Cancellation, Ground::AnglesDisagree);
        assert_eq!(stands_out(&null), (-6.0, ""));
    }
}
