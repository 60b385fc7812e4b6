//! What differs between the units.

use super::matched::Matched;
use crate::audit::{Candidate, Cause, Circumstance, WORTH_SAYING_DB, median_level_db};
use crate::curve::{Band, Curve};
use crate::filter::Bank;

/// Where a difference has fallen to this share of its largest it ends.
const ENDS_AT: f64 = 0.5;

/// The differences within `band`; `own` are the filters of each unit, where it has its own.
pub(super) fn of(matched: &Matched, band: Band, own: Option<[&Bank; 2]>) -> Vec<Candidate> {
    let values = &matched.difference_db;
    let after = own.map(|own| with_lists(matched, own));
    let freqs_hz = matched.grid.freqs_hz();
    let range = matched.grid.range(band.from_hz, band.to_hz);
    let mut candidates = Vec::new();
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
        candidates.push(Candidate {
            band: Band {
                from_hz: freqs_hz[low],
                to_hz: freqs_hz[high],
            },
            peak_hz: freqs_hz[peak],
            size_db: values[peak],
            own: Curve::new(matched.grid.clone(), values.clone()),
            q: None,
            spread_db: None,
            movement: None,
            cause: Cause::UnitToUnit,
            known: Some(Circumstance::UnitsDiffer {
                after_db: after.as_ref().map(|after| after[peak]),
            }),
            doubt_db: 0.0,
            witnesses: Vec::new(),
        });
        at = end.max(at + 1);
    }
    candidates
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
