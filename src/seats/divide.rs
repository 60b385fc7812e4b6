//! One filter list for both: stages go where they do most good.
//!
//! The speaker's share is fitted with as many stages as pay. Every shared peak of the room asks
//! for one more. Where the device has too few for both, the division is taken that leaves least
//! of the joined wish, weighted as [`Joined`] says.

use super::join::Joined;
use super::judged::Judged;
use super::peak::Peak;
use crate::curve::Curve;
use crate::device::{Device, Number};
use crate::error::Result;
use crate::filter::{Bank, Kind, Stage};
use crate::fit::{self, Fit, Options, Rung, Wanted};

/// Rows per octave while stages for the room are searched: enough for a mode of Q 30.
const ROWS_PER_OCT: f64 = 48.0;

/// Weight of a row outside the zone against one inside while the room's stages are fitted: they
/// must not stray.
const OUTSIDE_WEIGHT: f64 = 0.3;

/// What each dB of a cut adds to the weight of its row: its top is to be met, on its flanks a stage
/// that is wider than the mode may only not stray far. Our own judgement.
const WEIGHT_PER_DB: f64 = 1.0;

/// Fits the joined wish below `highest_hz` with the stages of `device`.
///
/// # Errors
/// As [`fit::fit`].
pub fn fit(
    joined: &Joined,
    judged: Option<&Judged>,
    device: &Device,
    options: &Options,
    highest_hz: f64,
) -> Result<Fit> {
    let rows = joined
        .grid()
        .freqs_hz()
        .partition_point(|f| *f < highest_hz);
    let options = Options {
        // Nothing is boosted below the transition, so its level stands.
        level_cost: f64::INFINITY,
        ..options.clone()
    };
    let upper = |gain_db: &[f64], device: &Device, options: &Options| {
        let wanted = Wanted {
            freqs_hz: &joined.grid().freqs_hz()[..rows],
            gain_db: &gain_db[..rows],
            weights: &joined.weights[..rows],
        };
        fit::fit(&wanted, device, options)
    };
    let first = upper(joined.upper.values_db(), device, &options)?;
    let no_peaking = options.forbid.contains(&Kind::Peaking);
    let cuts = judged.map_or_else(Vec::new, |judged| {
        let freqs_hz = joined.grid().freqs_hz();
        ranked(freqs_hz, &joined.weights, judged, device, no_peaking)
    });
    if cuts.is_empty() {
        return Ok(first);
    }
    let allowed = options.stages.unwrap_or(device.stages).min(device.stages);
    let room = left_by_count(joined, &cuts, rows);
    let speaker = |n: usize| {
        let rung = first.ladder.get(n).or(first.ladder.last());
        rung.map_or(0.0, |rung| rung.rms_db.powi(2))
    };
    let free = options.stages.is_none() && first.stages.len() + cuts.len() <= allowed;
    let count = if free {
        cuts.len()
    } else {
        (0..=cuts.len().min(allowed))
            .min_by(|a, b| {
                let left = |k: usize| room[k] + speaker(allowed - k);
                left(*a).total_cmp(&left(*b))
            })
            .unwrap_or(0)
    };
    let Some(judged) = judged.filter(|_| count > 0) else {
        return Ok(first);
    };
    let below = room_stages(judged, &cuts[..count], device, &options)?;
    // What the room's stages miss in the zone is not handed on: to mend it would take boosts there.
    let above = if free {
        first.clone()
    } else if allowed == count {
        Fit {
            stages: Vec::new(),
            unheld: Vec::new(),
            ..first.clone()
        }
    } else {
        let rest = with_fewer(device, count, allowed - count);
        let options = Options {
            stages: options.stages.map(|_| allowed - count),
            ..options
        };
        upper(joined.upper.values_db(), &rest, &options)?
    };
    let mut stages = below.stages;
    stages.extend(above.stages);
    let stages = fit::in_order(stages, device);
    let all_db = gains_db(&stages, device, joined.grid().freqs_hz());
    let left = &joined.wish() - &Curve::new(joined.grid().clone(), all_db);
    let rms_db = rms_db(&left.values_db()[..rows], &joined.weights[..rows]);
    let ladder = ladder(&room, speaker, allowed, (stages.len(), rms_db));
    Ok(Fit {
        stages,
        level_db: 0.0,
        rms_db,
        ladder,
        continuous_rms_db: above.continuous_rms_db.hypot(below.continuous_rms_db),
        rounded_rms_db: None,
        unheld: below.unheld.into_iter().chain(above.unheld).collect(),
        stop: above.stop,
    })
}

/// The peaks that a stage of the device can cut, those first that leave least, as `weights` count
/// at `freqs_hz`.
pub(super) fn ranked(
    freqs_hz: &[f64],
    weights: &[f64],
    judged: &Judged,
    device: &Device,
    forbidden: bool,
) -> Vec<Peak> {
    let Some(limits) = device.limits_of(Kind::Peaking) else {
        return Vec::new();
    };
    if forbidden || limits.gain_db.lowest() >= 0.0 {
        return Vec::new();
    }
    let energy = |peak: &Peak| -> f64 {
        let cut = peak.cut_shape_db(freqs_hz);
        let weighted = cut.iter().zip(weights).map(|(c, w)| w * c * c);
        weighted.sum()
    };
    let mut peaks = judged.peaks.clone();
    peaks.sort_by(|a, b| energy(b).total_cmp(&energy(a)));
    peaks.truncate(limits.at_most.unwrap_or(peaks.len()));
    peaks
}

/// What is left of the room's wish when the first 0, 1, 2, ... of `cuts` are made, dB^2.
fn left_by_count(joined: &Joined, cuts: &[Peak], rows: usize) -> Vec<f64> {
    let mut left_db = joined.zone.values_db().to_vec();
    let mut all = vec![rms_db(&left_db[..rows], &joined.weights[..rows]).powi(2)];
    for peak in cuts {
        for (left, cut) in left_db
            .iter_mut()
            .zip(peak.cut_shape_db(joined.grid().freqs_hz()))
        {
            *left += cut;
        }
        all.push(rms_db(&left_db[..rows], &joined.weights[..rows]).powi(2));
    }
    all
}

fn rms_db(values: &[f64], weights: &[f64]) -> f64 {
    let sum: f64 = weights.iter().sum();
    let squares = values.iter().zip(weights).map(|(v, w)| w * v * v);
    (squares.sum::<f64>() / sum).sqrt()
}

/// Stages of `device` for `cuts`.
pub(super) fn room_stages(
    judged: &Judged,
    cuts: &[Peak],
    device: &Device,
    options: &Options,
) -> Result<Fit> {
    let freqs_hz = judged.grid.freqs_hz();
    let mut gain_db = vec![0.0; freqs_hz.len()];
    for peak in cuts {
        for (gain, cut) in gain_db.iter_mut().zip(peak.cut_shape_db(freqs_hz)) {
            *gain -= cut;
        }
    }
    let weights: Vec<f64> = judged
        .grid
        .cells_oct()
        .iter()
        .enumerate()
        .map(|(i, cell)| {
            let inside = judged.zone.contains(&i);
            let top = 1.0 - WEIGHT_PER_DB * gain_db[i];
            cell * top * if inside { 1.0 } else { OUTSIDE_WEIGHT }
        })
        .collect();
    let wanted = Wanted {
        freqs_hz,
        gain_db: &gain_db,
        weights: &weights,
    };
    let only = with_fewer(device, 0, cuts.len());
    let options = Options {
        stages: Some(cuts.len()),
        forbid: vec![Kind::LowShelf, Kind::HighShelf],
        boost_at_most_db: Some(0.0),
        slack: None,
        rows_per_oct: ROWS_PER_OCT,
        ..options.clone()
    };
    if device.has_steps() || matches!(device.number, Number::F32 | Number::Fixed { .. }) {
        return fit::fit(&wanted, &only, &options);
    }
    // The cuts are stages already; they are only moved to what the device takes.
    let start: Vec<Stage> = cuts
        .iter()
        .map(|peak| Stage {
            kind: Kind::Peaking,
            f0_hz: peak.f0_hz,
            gain_db: -peak.cut_db,
            q: peak.q,
        })
        .collect();
    fit::refine(&wanted, &only, &options, &start)
}

/// `device` with `stages` stages, `taken` of its peaking stages being taken already.
fn with_fewer(device: &Device, taken: usize, stages: usize) -> Device {
    let mut rest = device.clone();
    rest.stages = stages;
    for limits in &mut rest.limits {
        if limits.kind == Kind::Peaking {
            limits.at_most = limits.at_most.map(|most| most.saturating_sub(taken));
        }
    }
    rest
}

pub(super) fn gains_db(stages: &[Stage], device: &Device, freqs_hz: &[f64]) -> Vec<f64> {
    let bank = Bank {
        rate_hz: device.rate_hz,
        gain_db: 0.0,
        sections: stages.iter().map(|s| s.biquad(device.rate_hz)).collect(),
    };
    bank.gains_db(freqs_hz)
}

/// What so many stages leave of the whole wish, divided as well as they can be; never rising, and
/// what was reached in the end stands at its place.
fn ladder(
    room: &[f64],
    speaker: impl Fn(usize) -> f64,
    allowed: usize,
    reached: (usize, f64),
) -> Vec<Rung> {
    (0..=allowed)
        .map(|stages| {
            let left = (0..room.len().min(stages + 1)).map(|k| room[k] + speaker(stages - k));
            let best_db = left.fold(f64::INFINITY, f64::min).sqrt();
            let rms_db = match stages.cmp(&reached.0) {
                std::cmp::Ordering::Less => best_db.max(reached.1),
                std::cmp::Ordering::Equal => reached.1,
                std::cmp::Ordering::Greater => best_db.min(reached.1),
            };
            Rung { stages, rms_db }
        })
        .collect()
}
