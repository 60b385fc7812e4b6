//! What differs between the units, as findings.

use super::matched::Matched;
use crate::audit::{Cause, Decision, Finding, Ground};

/// Units are spoken of as different from this on, dB: the just noticeable difference of level in
/// everyday listening (1 dB, handbook figure, from memory).
const WORTH_SAYING_DB: f64 = 1.0;

/// Where a difference has fallen to this share of its largest it ends.
const ENDS_AT: f64 = 0.5;

pub(super) fn of(matched: &Matched, band_hz: (f64, f64), corrected: bool) -> Vec<Finding> {
    let values = &matched.difference_db;
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
        findings.push(Finding {
            from_hz: freqs_hz[low],
            to_hz: freqs_hz[high],
            peak_hz: freqs_hz[peak],
            size_db: values[peak],
            in_room_size_db: None,
            q: None,
            spread_db: None,
            cause: Cause::UnitToUnit,
            decision: if corrected {
                Decision::Correct
            } else {
                Decision::Leave
            },
            share: if corrected { 1.0 } else { 0.0 },
            witnesses: Vec::new(),
            ground: Ground::UnitsDiffer { corrected },
        });
        at = end.max(at + 1);
    }
    findings
}
