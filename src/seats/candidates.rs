//! The room's part of what is worth speaking of.

use super::judged::Judged;
use super::peak::{Peak, bell_db};
use crate::audit::{Candidate, Cause, Circumstance};
use crate::curve::{Band, Curve, Grid, Smoother};

/// What seats dispute is spoken of from this size of the mean on, dB, and nulls from this depth
/// on. Our own judgement: smaller ones every room has by the dozen.
const DISPUTED_DB: f64 = 3.0;
const NULL_DB: f64 = -8.0;

/// Smoothing before nulls are looked for, octaves.
const SEARCH_OCT: f64 = 1.0 / 24.0;

/// Nulls of several seats within so many octaves are one.
const SAME_OCT: f64 = 1.0 / 12.0;

/// So many nulls are spoken of, the deepest.
const MOST_NULLS: usize = 6;

/// `candidates` with the room's in the place of those that lie below the transition.
pub(super) fn with_room(
    candidates: &[Candidate],
    judged: Option<&Judged>,
    transition_hz: f64,
    grid: &Grid,
) -> Vec<Candidate> {
    let above = |c: &&Candidate| c.peak_hz >= transition_hz || c.cause == Cause::BandEdge;
    let mut all: Vec<Candidate> = candidates.iter().filter(above).cloned().collect();
    match judged {
        Some(judged) => all.extend(of_seats(judged)),
        None => all.push(unheard(grid, transition_hz)),
    }
    all
}

/// The zone as a whole where no seat says anything of it.
fn unheard(grid: &Grid, transition_hz: f64) -> Candidate {
    let from_hz = grid.first_hz().min(0.5 * transition_hz);
    Candidate {
        band: Band {
            from_hz,
            to_hz: transition_hz,
        },
        peak_hz: (from_hz * transition_hz).sqrt(),
        size_db: 0.0,
        own: Curve::zero(grid),
        q: None,
        spread_db: None,
        movement: None,
        cause: Cause::Room,
        known: Some(Circumstance::RoomUnheard { transition_hz }),
        doubt_db: 0.0,
        witnesses: Vec::new(),
    }
}

fn of_seats(judged: &Judged) -> Vec<Candidate> {
    let seats = judged.over_db.len();
    let mut candidates: Vec<Candidate> =
        (judged.peaks.iter().map(|p| shared(judged, p, seats))).collect();
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
    candidates.extend(disputed.map(|peak| Candidate {
        known: Some(Circumstance::SeatsDisagree {
            seats,
            sizes_db: (peak.least_db, peak.most_db),
        }),
        ..shared(judged, peak, seats)
    }));
    candidates.extend(nulls(judged));
    candidates
}

fn shared(judged: &Judged, peak: &Peak, seats: usize) -> Candidate {
    let (from_hz, to_hz) = peak.band_hz();
    let freqs_hz = judged.grid.freqs_hz();
    Candidate {
        band: Band { from_hz, to_hz },
        peak_hz: peak.f0_hz,
        size_db: peak.mean_db,
        own: Curve::new(
            judged.grid.clone(),
            bell_db(freqs_hz, peak.f0_hz, peak.q, peak.mean_db),
        ),
        q: Some(peak.q),
        spread_db: Some(peak.spread_db),
        movement: None,
        cause: Cause::Room,
        known: Some(Circumstance::SeatsShare {
            seats,
            sizes_db: (peak.least_db, peak.most_db),
        }),
        doubt_db: 0.0,
        witnesses: Vec::new(),
    }
}

/// One seat's null.
#[derive(Clone, Copy)]
struct Null {
    at: usize,
    depth_db: f64,
}

fn nulls(judged: &Judged) -> Vec<Candidate> {
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
            let deepest = smooth
                .iter()
                .min_by(|a, b| a[null.at].total_cmp(&b[null.at]));
            Candidate {
                band: Band { from_hz, to_hz },
                peak_hz: freqs_hz[null.at],
                size_db: null.depth_db,
                own: Curve::new(judged.grid.clone(), deepest.cloned().unwrap_or_default()),
                q: None,
                spread_db: Some(deviation(&there)),
                movement: None,
                cause: Cause::Room,
                known: Some(Circumstance::SeatsNull {
                    seats: there.len(),
                    at: there.iter().filter(|v| **v <= 0.5 * NULL_DB).count(),
                }),
                doubt_db: 0.0,
                witnesses: Vec::new(),
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
