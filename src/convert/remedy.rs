//! Stages computed anew from their parameters, and what can be done where a number format ends
//! below a stage's numbers: a broad boost reaches its gain, +6 dB and more is 2 and more.
//!
//! - Another type: a shelf that boosts one end is the shelf that cuts the other end, raised as a
//!   whole ([`Stage::other_shelf`]).
//! - Scale: the numerator is lowered as a whole, and the level in front raised as much.
//! - Split: two stages of half the gain, f0 a little apart and Q adapted.

use super::change::{Change, Remedied, Remedy};
use super::held::Held;
use super::obstacle::Obstacle;
use crate::device::{Coefficient, Device, Number};
use crate::error::{Error, Result};
use crate::filter::{Biquad, Kind, Stage};
use crate::filter_list::FilterList;
use crate::fit::{held, words_at_level};
use crate::units::amplitude_to_db;
use std::f64::consts::PI;

/// The stages held by the device, the level in front, and what changed.
pub(super) type Outcome = (Vec<Held>, f64, Vec<Change>);

/// A remedy at hand.
struct Cure {
    how: Remedied,
    held: Vec<Held>,
    /// What the level in front has to rise by, dB.
    moved_db: f64,
}

/// The stages of `list` computed for `device`, `gain_db` being the level in front of them without
/// remedies. `Ok(Err(_))` says why the device's stages have to be fitted anew instead.
///
/// # Errors
/// When no stage of the kind fits the format, or not by the remedy `wanted`.
pub(super) fn recomputed(
    list: &FilterList,
    device: &Device,
    gain_db: f64,
    wanted: Option<Remedy>,
) -> Result<std::result::Result<Outcome, Vec<Obstacle>>> {
    let mut all = Vec::new();
    let mut gain_db = gain_db;
    let mut changes = Vec::new();
    let mut coarse = Vec::new();
    let mut used: Vec<Kind> = list.stages.iter().map(|l| l.stage.kind).collect();
    for (number, listed) in (1..).zip(&list.stages) {
        let stage = listed.stage;
        if let Some((moved, words)) = held(&stage, device.rate_hz, device.number) {
            if !words.hold() {
                coarse.push(Obstacle::TooCoarse {
                    stage: number,
                    error_db: words.largest_error_db,
                });
                continue;
            }
            if moved != stage {
                changes.push(Change::Moved {
                    stage: number,
                    from: stage,
                    to: moved,
                });
            }
            all.push(Held {
                stage: moved,
                section: words.biquad,
            });
            continue;
        }
        let exact = stage.biquad(device.rate_hz);
        let limit = largest_of(device.number);
        feedback_fits(&exact, limit, number, device)?;
        let mut cures = cures(&stage, device, &used);
        let Some(at) = chosen(&cures, -gain_db, wanted) else {
            if let Some(remedy) = wanted {
                return Err(Error::call(format!(
                    "stage {number} does not fit {}, and {} does not help it",
                    device.number,
                    remedy.name()
                ))
                .with_hint(offer(&cures)));
            }
            coarse.push(Obstacle::DoesNotFit {
                stage: number,
                largest: largest_b(&exact),
                limit,
            });
            continue;
        };
        let cure = cures.remove(at);
        gain_db += cure.moved_db;
        used.extend(cure.held.iter().skip(1).map(|h| h.stage.kind));
        if let (Remedied::AnotherType { stage, .. }, Some(kind)) =
            (cure.how, used.get_mut(number - 1))
        {
            *kind = stage.kind;
        }
        all.extend(cure.held);
        changes.push(Change::Remedied {
            stage: number,
            wanted: stage,
            largest: largest_b(&exact),
            limit,
            how: cure.how,
            also: cures.iter().map(|c| c.how.remedy()).collect(),
        });
    }
    Ok(if coarse.is_empty() {
        Ok((all, gain_db, changes))
    } else {
        Err(coarse)
    })
}

fn offer(cures: &[Cure]) -> String {
    let names: Vec<&str> = cures.iter().map(|c| c.how.remedy().name()).collect();
    if names.is_empty() {
        "leave --remedy out: the device's own stages are then fitted to the list".into()
    } else {
        format!("--remedy {} does", names.join(" or "))
    }
}

/// The largest number of a format; infinite for those that end beyond any coefficient.
fn largest_of(number: Number) -> f64 {
    match number {
        Number::Fixed {
            integer_bits,
            fraction_bits,
        } => (f64::from(integer_bits) - 1.0).exp2() - (-f64::from(fraction_bits)).exp2(),
        _ => f64::INFINITY,
    }
}

fn largest_b(section: &Biquad) -> f64 {
    section.b0.abs().max(section.b1.abs()).max(section.b2.abs())
}

/// Nothing helps where the feedback numbers do not fit: they are what they are.
fn feedback_fits(exact: &Biquad, limit: f64, number: usize, device: &Device) -> Result<()> {
    let (name, value) = if exact.a1.abs() > exact.a2.abs() {
        (Coefficient::A1.name(), exact.a1)
    } else {
        (Coefficient::A2.name(), exact.a2)
    };
    if value.abs() <= limit {
        return Ok(());
    }
    Err(Error::call(format!(
        "stage {number}: {name} = {value:.6} does not fit {}, and nothing can stand in for it",
        device.number
    ))
    .with_hint("choose a format with two integer bits or more"))
}

/// The remedy to take: the one that is wanted, or else the first that leaves the whole as loud as
/// it is, or else the one that costs least level.
fn chosen(cures: &[Cure], room_db: f64, wanted: Option<Remedy>) -> Option<usize> {
    if let Some(remedy) = wanted {
        return cures.iter().position(|c| c.how.remedy() == remedy);
    }
    /// Rounding of levels.
    const SAME_LEVEL_DB: f64 = 1e-6;
    let cost_db = |c: &Cure| (c.moved_db - room_db.max(0.0)).max(0.0);
    cures
        .iter()
        .position(|c| cost_db(c) < SAME_LEVEL_DB)
        .or_else(|| {
            (0..cures.len()).min_by(|a, b| cost_db(&cures[*a]).total_cmp(&cost_db(&cures[*b])))
        })
}

/// All remedies that help a stage. `used` are the types in use on the device.
fn cures(stage: &Stage, device: &Device, used: &[Kind]) -> Vec<Cure> {
    let room_for = |stage: &Stage, more: usize| {
        let Some(limits) = device.limits_of(stage.kind) else {
            return false;
        };
        let count = used.iter().filter(|k| **k == stage.kind).count() + more;
        let inside = |setting: &crate::device::Setting, value: f64| {
            (setting.lowest()..=setting.highest()).contains(&value)
        };
        limits.at_most.is_none_or(|most| count <= most)
            && inside(&limits.f0_hz, stage.f0_hz)
            && inside(&limits.gain_db, stage.gain_db)
            && inside(&limits.q, stage.q)
    };
    let mut cures = Vec::new();
    if stage.gain_db > 0.0
        && let Some(other) = stage.other_shelf()
        && room_for(&other, 1)
        && let Some(held) = held_at(&other, 0.0, device)
    {
        cures.push(Cure {
            how: Remedied::AnotherType {
                stage: held.stage,
                level_db: stage.gain_db,
            },
            held: vec![held],
            moved_db: stage.gain_db,
        });
    }
    if let Some((held, by_db)) = scaled(stage, device) {
        cures.push(Cure {
            how: Remedied::Scaled { by_db },
            held: vec![held],
            moved_db: by_db,
        });
    }
    if used.len() < device.stages
        && stage.kind.has_gain()
        && let Some((stages, error_db)) = halves(stage, device.rate_hz)
        && stages.iter().all(|s| room_for(s, 1))
    {
        let both = stages.map(|s| held_at(&s, 0.0, device));
        if let [Some(one), Some(other)] = both {
            cures.push(Cure {
                how: Remedied::Split { stages, error_db },
                held: vec![one, other],
                moved_db: 0.0,
            });
        }
    }
    cures
}

/// The stage on the device's grid with a level in its numerator; `None` where it does not hold.
fn held_at(stage: &Stage, level_db: f64, device: &Device) -> Option<Held> {
    let words = words_at_level(stage, level_db, device.rate_hz, device.number)?;
    words.hold().then_some(Held {
        stage: *stage,
        section: words.biquad,
    })
}

fn scaled(stage: &Stage, device: &Device) -> Option<(Held, f64)> {
    /// The search for words needs a few steps of room beside a number.
    const ROOM: f64 = 1e-6;
    let over = largest_b(&stage.biquad(device.rate_hz)) / (largest_of(device.number) - ROOM);
    // No less than that, or the number would not fit: rounding is not taken off first.
    let steps = (amplitude_to_db(over) / device.level_step_db).ceil();
    let by_db = device.level_from_db(steps * device.level_step_db);
    Some((held_at(stage, -by_db, device)?, by_db))
}

/// Two stages of half the gain that together come nearest to one, with the largest error, dB.
fn halves(stage: &Stage, rate_hz: f64) -> Option<([Stage; 2], f64)> {
    /// f0 of the two at most so far from the one, as a ratio.
    const SPREAD: f64 = 1.6;
    /// Q of the two against that of the one, as a ratio either way.
    const Q_RATIO: f64 = 2.0;
    const STEPS: i32 = 12;
    const ROUNDS: i32 = 6;
    let pair = |ln_spread: f64, ln_q: f64| {
        [1.0, -1.0].map(|side| Stage {
            f0_hz: stage.f0_hz * (side * ln_spread).exp(),
            gain_db: 0.5 * stage.gain_db,
            q: stage.q * ln_q.exp(),
            ..*stage
        })
    };
    let top_hz = 20_000f64.min(0.45 * rate_hz);
    let omegas: Vec<f64> = (0..=120)
        .map(|i| 20.0 * (top_hz / 20.0).powf(f64::from(i) / 120.0))
        .map(|f_hz| 2.0 * PI * f_hz / rate_hz)
        .collect();
    let whole = stage.biquad(rate_hz);
    let wanted_db: Vec<f64> = omegas.iter().map(|w| whole.gain_db(*w)).collect();
    let error_db = |stages: &[Stage; 2]| {
        if stages.iter().any(|s| s.f0_hz >= 0.49 * rate_hz) {
            return f64::INFINITY;
        }
        let [one, other] = stages.map(|s| s.biquad(rate_hz));
        omegas
            .iter()
            .zip(&wanted_db)
            .map(|(w, wanted)| (one.gain_db(*w) + other.gain_db(*w) - wanted).abs())
            .fold(0.0, f64::max)
    };
    // A grid of spread and Q, made finer round the best of it.
    let mut best = (error_db(&pair(0.0, 0.0)), 0.0, 0.0);
    let (mut spread_step, mut q_step) = (
        SPREAD.ln() / f64::from(STEPS),
        Q_RATIO.ln() / f64::from(STEPS),
    );
    for _ in 0..ROUNDS {
        let (_, at_spread, at_q) = best;
        for i in -STEPS..=STEPS {
            for k in -STEPS..=STEPS {
                let spread = at_spread + f64::from(i) * spread_step;
                let q = at_q + f64::from(k) * q_step;
                let found = error_db(&pair(spread, q));
                if spread >= 0.0 && found < best.0 {
                    best = (found, spread, q);
                }
            }
        }
        spread_step *= 0.25;
        q_step *= 0.25;
    }
    best.0.is_finite().then_some((pair(best.1, best.2), best.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shelf(kind: Kind, gain_db: f64) -> Stage {
        Stage {
            kind,
            f0_hz: 3000.0,
            gain_db,
            q: 0.7,
        }
    }

    #[test]
    fn a_shelf_is_the_other_shelf_raised_as_a_whole() {
        for kind in [Kind::HighShelf, Kind::LowShelf] {
            let one = shelf(kind, 7.0);
            let other = one.other_shelf().unwrap();
            for k in 1..100 {
                let omega_rad = PI * f64::from(k) / 100.0;
                let one_db = one.biquad(48e3).gain_db(omega_rad);
                let other_db = other.biquad(48e3).gain_db(omega_rad);
                assert!((one_db - 7.0 - other_db).abs() < 1e-9);
            }
        }
        assert_eq!(shelf(Kind::Peaking, -3.0).other_shelf(), None);
    }

    #[test]
    fn two_halves_come_within_a_tenth_of_a_db() {
        for (kind, gain_db) in [
            (Kind::HighShelf, 8.0),
            (Kind::LowShelf, 6.0),
            (Kind::Peaking, 9.0),
        ] {
            let (stages, error_db) = halves(&shelf(kind, gain_db), 48e3).unwrap();
            assert!(error_db < 0.1, "{kind} {error_db}");
            assert!(stages.iter().all(|s| s.gain_db == 0.5 * gain_db));
        }
    }
}
