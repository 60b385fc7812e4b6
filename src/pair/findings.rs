//! What differs between the units, as findings.

use super::matched::Matched;
use crate::audit::{Cause, Decision, Finding, Ground, WORTH_SAYING_DB, median_level_db};
use crate::filter::Bank;

/// Where a difference has fallen to this share of its largest it ends.
const ENDS_AT: f64 = 0.5;

/// So much of a difference that lists per unit take away is all of it, and so little is nothing.
/// Our own judgement.
const ALL_SHARE: f64 = 0.75;
const NOTHING_SHARE: f64 = 0.25;

/// The differences within `band_hz`; `own` are the filters of each unit, where it has its own.
pub(super) fn of(matched: &Matched, band_hz: (f64, f64), own: Option<[&Bank; 2]>) -> Vec<Finding> {
    let values = &matched.difference_db;
    let after = own.map(|own| with_lists(matched, own));
    let freqs_hz = matched.grid.freqs_hz();
    let range = matched.grid.range(band_hz.0, band_hz.1);
    let mut findings = Vec::new();
    let mut at = range.start;
    while at < range.end {
        if values[at].abs() < WORTH_SAYING_DB {
            at += 1;
            continue;
        }
        let sign = values[at].signum();
        let end = (at..range.end)
            .find(|i| values[*i] * sign < WORTH_SAYING_DB)
            .unwrap_or(range.end);
        let peak = (at..end)
            .max_by(|a, b| values[*a].abs().total_cmp(&values[*b].abs()))
            .unwrap_or(at);
        let half = ENDS_AT * values[peak].abs();
        let low = (range.start..=peak)
            .rev()
            .find(|i| values[*i] * sign < half)
            .unwrap_or(range.start);
        let high = (peak..range.end)
            .find(|i| values[*i] * sign < half)
            .unwrap_or(range.end - 1);
        let share = after
            .as_ref()
            .map(|after| (1.0 - (after[peak] / values[peak]).abs()).clamp(0.0, 1.0));
        let decision = decision(share);
        findings.push(Finding {
            from_hz: freqs_hz[low],
            to_hz: freqs_hz[high],
            peak_hz: freqs_hz[peak],
            size_db: values[peak],
            in_room_size_db: None,
            q: None,
            spread_db: None,
            cause: Cause::UnitToUnit,
            decision,
            share: match decision {
                Decision::Correct => 1.0,
                Decision::Soften => share.unwrap_or(0.0),
                Decision::Leave => 0.0,
            },
            witnesses: Vec::new(),
            ground: Ground::UnitsDiffer {
                after_db: after.as_ref().map(|after| after[peak]),
            },
        });
        at = end.max(at + 1);
    }
    findings
}

fn decision(share: Option<f64>) -> Decision {
    match share {
        Some(share) if share >= ALL_SHARE => Decision::Correct,
        Some(share) if share > NOTHING_SHARE => Decision::Soften,
        _ => Decision::Leave,
    }
}

/// The difference with each unit's own filters, level taken out, dB.
fn with_lists(matched: &Matched, own: [&Bank; 2]) -> Vec<f64> {
    let [first, second] = own.map(|bank| bank.gains_db(matched.grid.freqs_hz()));
    let after: Vec<f64> = matched
        .difference_db
        .iter()
        .zip(first.iter().zip(&second))
        .map(|(difference, (first, second))| difference + second - first)
        .collect();
    let level_db = median_level_db(&matched.grid, &after);
    after.iter().map(|a| a - level_db).collect()
}
