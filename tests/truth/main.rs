//! Whether what is said of a speaker is so: every claim of every finding in `plan.json` is computed again
//! from `curves.csv` and `filters.txt`, for simulated speakers of all populations measured in all ways.
//!
//! The library draws the speakers; reading, averaging over hearing's scale, and the response of the
//! filters are written here once more, so that a mistake there does not vouch for itself.
//!
//!     PLANISH_TRUTH=200 cargo test --release --test truth -- --nocapture
//!
//! Not checked, because the files of a plan do not hold it: `spread_db` and `moves_hz` themselves (the
//! sentence's claim about them is), and how often `sure` is right (`examples/trial` counts that).

mod deciding;
mod drawn;
mod measured;
mod said;
mod sentences;
mod written;

use drawn::plans;
use written::{Finding, Planned};

/// Every finding with its plan and place among the plan's findings.
fn findings() -> impl Iterator<Item = (&'static Planned, &'static Finding)> {
    plans().iter().flat_map(|plan| {
        plan.json
            .findings
            .iter()
            .map(move |finding| (plan, finding))
    })
}

/// Refuses what `objection` has something to say about.
fn assert_all(objection: impl Fn(&Planned, &Finding) -> Option<String>) {
    let said = findings().filter_map(|(plan, finding)| {
        let objection = objection(plan, finding)?;
        Some(format!("{}: {objection}\n{finding:?}\n", plan.name))
    });
    let said: Vec<String> = said.collect();
    let count = findings().count();
    assert!(count > plans().len(), "only {count} findings");
    assert!(
        said.is_empty(),
        "{} of {count} findings:\n{}",
        said.len(),
        said.concat()
    );
}
