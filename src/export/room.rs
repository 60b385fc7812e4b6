//! The room in the JSON documents.

use crate::seats::{Decided, Judged, Origin, Outcome};
use serde::Serialize;

/// What was decided below the transition frequency.
#[derive(Debug, Serialize)]
pub(super) struct RoomRow<'a> {
    transition_hz: f64,
    transition_from: &'static str,
    room_volume_m3: Option<f64>,
    rt60_s: Option<f64>,
    seats: Vec<SeatRow<'a>>,
    shared_peaks: Vec<PeakRow>,
    freq_hz: &'a [f64],
    baseline_db: &'a [f64],
    wish_db: &'a [f64],
    filters_db: &'a [f64],
}

#[derive(Debug, Serialize)]
struct SeatRow<'a> {
    name: &'a str,
    variance_before_db2: Option<f64>,
    variance_after_db2: Option<f64>,
    null_filled_most_hz: Option<f64>,
    null_filled_most: Option<f64>,
    over_baseline_db: &'a [f64],
}

#[derive(Debug, Serialize)]
struct PeakRow {
    peak_hz: f64,
    q: f64,
    mean_db: f64,
    least_db: f64,
    most_db: f64,
    spread_db: f64,
    cut_wanted_db: f64,
    cut_done_db: Option<f64>,
    left_db: Option<f64>,
}

impl<'a> From<&'a Decided> for RoomRow<'a> {
    fn from(decided: &'a Decided) -> Self {
        let transition = &decided.transition;
        let (from, volume_m3, rt60_s) = match transition.origin() {
            Origin::Stated => ("stated", None, None),
            Origin::Schroeder { volume_m3, rt60_s } => ("schroeder", Some(volume_m3), Some(rt60_s)),
            Origin::Assumed => ("assumed", None, None),
        };
        let judged = decided.judged.as_ref();
        let outcome = decided.outcome.as_ref();
        RoomRow {
            transition_hz: transition.hz(),
            transition_from: from,
            room_volume_m3: volume_m3,
            rt60_s,
            seats: judged.map_or(Vec::new(), |judged| seats(judged, outcome)),
            shared_peaks: judged.map_or(Vec::new(), |judged| peaks(judged, outcome)),
            freq_hz: judged.map_or(&[], |judged| judged.grid.freqs_hz()),
            baseline_db: judged.map_or(&[], |judged| &judged.baseline_db),
            wish_db: judged.map_or(&[], |judged| judged.wish.values_db()),
            filters_db: outcome.map_or(&[], |outcome| &outcome.gains_db),
        }
    }
}

fn seats<'a>(judged: &'a Judged, outcome: Option<&Outcome>) -> Vec<SeatRow<'a>> {
    (0..judged.names.len())
        .map(|i| {
            let after = outcome.map(|outcome| &outcome.seats[i]);
            let null = after.and_then(|after| after.null_filled);
            SeatRow {
                name: &judged.names[i],
                variance_before_db2: after.map(|after| after.variance_before_db2),
                variance_after_db2: after.map(|after| after.variance_after_db2),
                null_filled_most_hz: null.map(|null| null.0),
                null_filled_most: null.map(|null| null.1),
                over_baseline_db: &judged.over_db[i],
            }
        })
        .collect()
}

fn peaks(judged: &Judged, outcome: Option<&Outcome>) -> Vec<PeakRow> {
    (0..judged.peaks.len())
        .map(|i| {
            let peak = &judged.peaks[i];
            let after = outcome.map(|outcome| &outcome.peaks[i]);
            PeakRow {
                peak_hz: peak.f0_hz,
                q: peak.q,
                mean_db: peak.mean_db,
                least_db: peak.least_db,
                most_db: peak.most_db,
                spread_db: peak.spread_db,
                cut_wanted_db: after.map_or(peak.shared_db, |after| after.wanted_db),
                cut_done_db: after.map(|after| -after.gain_db),
                left_db: after.map(|after| after.left_db()),
            }
        })
        .collect()
}
