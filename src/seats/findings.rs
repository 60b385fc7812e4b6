//! The room's part of the findings.

use super::judged::Judged;
use super::peak::Peak;
use crate::audit::{Cause, Decision, Finding, Ground};
use crate::curve::Smoother;

/// What seats dispute is spoken of from this size of the mean on, dB, and nulls from this depth
/// on. Our own judgement: smaller ones every room has by the dozen.
const DISPUTED_DB: f64 = 3.0;
const NULL_DB: f64 = -8.0;

/// Less than this share of a peak is a cut in part.
const CLEAR_SHARE: f64 = 0.85;

/// Smoothing before nulls are looked for, octaves.
const SEARCH_OCT: f64 = 1.0 / 24.0;

/// Nulls of several seats within so many octaves are one finding.
const SAME_OCT: f64 = 1.0 / 12.0;

/// So many nulls are spoken of, the deepest.
const MOST_NULLS: usize = 6;

/// `findings` with the room's in the place of those that lie below the transition.
pub(super) fn with_room(
    findings: &[Finding],
    judged: Option<&Judged>,
    transition_hz: f64,
    lowest_hz: f64,
) -> Vec<Finding> {
    let above = |f: &&Finding| f.peak_hz >= transition_hz || f.cause == Cause::BandEdge;
    let mut all: Vec<Finding> = findings.iter().filter(above).cloned().collect();
    match judged {
        Some(judged) => all.extend(of_seats(judged)),
        None => all.push(unheard(lowest_hz, transition_hz)),
    }
    all
}

/// The zone as one finding where no seat says anything of it.
fn unheard(lowest_hz: f64, transition_hz: f64) -> Finding {
    let from_hz = lowest_hz.min(0.5 * transition_hz);
    Finding {
        from_hz,
        to_hz: transition_hz,
        peak_hz: (from_hz * transition_hz).sqrt(),
        size_db: 0.0,
        in_room_size_db: None,
        q: None,
        spread_db: None,
        cause: Cause::Room,
        decision: Decision::Leave,
        witnesses: Vec::new(),
        ground: Ground::RoomUnheard { transition_hz },
    }
}

fn of_seats(judged: &Judged) -> Vec<Finding> {
    let seats = judged.over_db.len();
    let mut findings: Vec<Finding> = judged.peaks.iter().map(|p| shared(p, seats)).collect();
    let beside = |peak: &&Peak| {
        judged.peaks.iter().all(|other| {
            let apart_oct = (other.f0_hz / peak.f0_hz).log2().abs();
            apart_oct > 0.5 * other.width_oct().max(SAME_OCT)
        })
    };
    let disputed = judged
        .disputed
        .iter()
        .filter(|p| p.mean_db >= DISPUTED_DB)
        .filter(beside);
    findings.extend(disputed.map(|peak| Finding {
        decision: Decision::Leave,
        ground: Ground::SeatsDisagree {
            seats,
            sizes_db: (peak.least_db, peak.most_db),
        },
        ..shared(peak, seats)
    }));
    findings.extend(nulls(judged));
    findings
}

fn shared(peak: &Peak, seats: usize) -> Finding {
    let (from_hz, to_hz) = peak.band_hz();
    let share = (peak.shared_db / peak.mean_db.max(peak.shared_db).max(1e-9)).clamp(0.0, 1.0);
    let whole = share >= CLEAR_SHARE;
    Finding {
        from_hz,
        to_hz,
        peak_hz: peak.f0_hz,
        size_db: peak.mean_db,
        in_room_size_db: None,
        q: Some(peak.q),
        spread_db: Some(peak.spread_db),
        cause: Cause::Room,
        decision: if whole {
            Decision::Correct
        } else {
            Decision::Soften { share }
        },
        witnesses: Vec::new(),
        ground: Ground::SeatsShare {
            seats,
            sizes_db: (peak.least_db, peak.most_db),
        },
    }
}

/// One seat's null.
#[derive(Clone, Copy)]
struct Null {
    at: usize,
    depth_db: f64,
}

fn nulls(judged: &Judged) -> Vec<Finding> {
    let smoother = Smoother::new(&judged.grid, SEARCH_OCT);
    let smooth: Vec<Vec<f64>> = judged.over_db.iter().map(|s| smoother.apply(s)).collect();
    let last = judged.grid.len() - 1;
    let mut found: Vec<Null> = Vec::new();
    for seat in &smooth {
        for i in judged.zone.clone() {
            let lowest = (i == 0 || seat[i] <= seat[i - 1]) && (i == last || seat[i] < seat[i + 1]);
            if lowest && seat[i] <= NULL_DB {
                found.push(Null {
                    at: i,
                    depth_db: seat[i],
                });
            }
        }
    }
    found.sort_by(|a, b| a.depth_db.total_cmp(&b.depth_db));
    let freqs_hz = judged.grid.freqs_hz();
    let mut deepest: Vec<Null> = Vec::new();
    for null in found {
        let apart = |other: &Null| (freqs_hz[null.at] / freqs_hz[other.at]).log2().abs() > SAME_OCT;
        if deepest.len() < MOST_NULLS && deepest.iter().all(apart) {
            deepest.push(null);
        }
    }
    deepest
        .into_iter()
        .map(|null| {
            let there: Vec<f64> = smooth.iter().map(|seat| seat[null.at]).collect();
            let (from_hz, to_hz) = ends(&smooth, null.at, freqs_hz);
            Finding {
                from_hz,
                to_hz,
                peak_hz: freqs_hz[null.at],
                size_db: null.depth_db,
                in_room_size_db: None,
                q: None,
                spread_db: Some(deviation(&there)),
                cause: Cause::Room,
                decision: Decision::Leave,
                witnesses: Vec::new(),
                ground: Ground::SeatsNull {
                    seats: there.len(),
                    at: there.iter().filter(|v| **v <= 0.5 * NULL_DB).count(),
                },
            }
        })
        .collect()
}

/// Where the deepest seat comes up to half of its depth, Hz.
fn ends(smooth: &[Vec<f64>], at: usize, freqs_hz: &[f64]) -> (f64, f64) {
    let Some(seat) = smooth.iter().min_by(|a, b| a[at].total_cmp(&b[at])) else {
        return (freqs_hz[at], freqs_hz[at]);
    };
    let half = 0.5 * seat[at];
    let low = (0..at).rev().find(|i| seat[*i] > half).unwrap_or(0);
    let high = (at..seat.len())
        .find(|i| seat[*i] > half)
        .unwrap_or(seat.len() - 1);
    (freqs_hz[low], freqs_hz[high])
}

fn deviation(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt()
}
