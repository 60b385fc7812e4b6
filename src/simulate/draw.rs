//! Random members of a population: designs as makers build them, three to five defects each.
//!
//! Ranges are our own choice after common loudspeakers, from a two-way of 3-inch size to a
//! three-way of 12-inch size; a reason stands where one would ask.

use super::analog::{BoxTuning, Crossover, Filter, Slope};
use super::cap::SPEED_OF_SOUND_M_PER_S;
use super::chance::Chance;
use super::defect::DefectKind;
use super::design::{Design, Driver};
use super::draw_defect::with_defect;
use super::speaker::Speaker;
use std::f64::consts::PI;

/// Designs tried for one set of kinds before other kinds take their turn. Most sets fit the
/// first or second design; this many failures mean that the kinds do not go together.
const DESIGNS_TRIED: usize = 30;

/// Caps next to each other keep this share of their radii apart: flanges and baskets.
const CLEARANCE: f64 = 1.15;

/// A tweeter turned farther away from the reference axis loses its top octave there, degrees.
const HIGHEST_TWEETER_DEG: f64 = 22.0;

/// Half angle a cap may span at most, degrees; beyond it the box is smaller than its driver.
const LARGEST_HALF_ANGLE_DEG: f64 = 48.0;

impl Speaker {
    /// A random member of the population with 3 to 5 defects between 250 Hz and 9 kHz, each
    /// checked to have an effect of its kind; the same `seed` gives the same speaker.
    pub fn draw(seed: u64) -> Speaker {
        let mut chance = Chance::new(seed);
        let chance = &mut chance;
        loop {
            let wanted = 3 + chance.below(3);
            let kinds = draw_kinds(chance, wanted);
            if let Some(speaker) =
                (0..DESIGNS_TRIED).find_map(|_| try_speaker(chance, seed, &kinds))
            {
                return speaker;
            }
        }
    }
}

fn try_speaker(chance: &mut Chance, seed: u64, kinds: &[DefectKind]) -> Option<Speaker> {
    let wide = kinds.contains(&DefectKind::DirectivityStep);
    let plan = draw_design(chance, wide)?;
    let mut speaker = Speaker::new(format!("drawn {seed}"), plan.design, Vec::new()).ok()?;
    for kind in kinds {
        speaker = with_defect(chance, &speaker, *kind, plan.wide_m)?;
    }
    Some(speaker)
}

/// Kinds of one speaker's defects. Two resonances are common, two of any other kind are not; a
/// step and a phase error would both sit at the same crossover, so they exclude each other.
fn draw_kinds(chance: &mut Chance, wanted: usize) -> Vec<DefectKind> {
    let mut kinds: Vec<DefectKind> = Vec::new();
    while kinds.len() < wanted {
        let kind = DefectKind::ALL[chance.below(DefectKind::ALL.len())];
        let times = kinds.iter().filter(|k| **k == kind).count();
        let allowed = if kind == DefectKind::Resonance { 2 } else { 1 };
        let rival = match kind {
            DefectKind::CrossoverPhase => kinds.contains(&DefectKind::DirectivityStep),
            DefectKind::DirectivityStep => kinds.contains(&DefectKind::CrossoverPhase),
            _ => false,
        };
        if times < allowed && !rival {
            kinds.push(kind);
        }
    }
    // A step changes the geometry, so that the others have to be checked on top of it.
    kinds.sort_by_key(|kind| *kind != DefectKind::DirectivityStep);
    kinds
}

struct Plan {
    design: Design,
    /// Radius of the driver below the top crossover if it is to be too large for it.
    wide_m: Option<f64>,
}

/// Radius in m of a driver with `ka` at `f_hz`.
fn radius_for_m(ka: f64, f_hz: f64) -> f64 {
    ka * SPEED_OF_SOUND_M_PER_S / (2.0 * PI * f_hz)
}

fn draw_design(chance: &mut Chance, wide: bool) -> Option<Plan> {
    let three_way = chance.happens(0.35);
    let top_crossover_hz = if three_way {
        chance.log_between(1800.0, 4500.0)
    } else {
        chance.log_between(1300.0, 3600.0)
    };
    // A driver that suits its crossover has ka about 1 to 2.3 there: -6 dB beyond 65 degrees.
    let below_top_m = radius_for_m(chance.between(1.0, 2.3), top_crossover_hz).clamp(0.028, 0.1);
    // One that beams: -6 dB at 44 to 22 degrees (2 J1(u)/u).
    let wide_m = wide.then(|| radius_for_m(chance.between(3.2, 5.8), top_crossover_hz));
    let woofer_m = chance.between(0.07, 0.13);
    let tweeter_m = chance.between(0.0095, 0.017);
    let largest_m = wide_m
        .unwrap_or(below_top_m)
        .max(if three_way { woofer_m } else { 0.0 });
    let least_sphere_m = (largest_m / LARGEST_HALF_ANGLE_DEG.to_radians().sin()).max(0.1);
    if least_sphere_m > 0.25 {
        return None;
    }
    let sphere_radius_m = chance.between(least_sphere_m, (2.2 * least_sphere_m).min(0.25));

    // From the tweeter down; the reference axis lies between it and the driver below. A driver
    // that beams is turned to the listener more, as no maker would listen beside its lobe.
    let mut radii_m = vec![tweeter_m, wide_m.unwrap_or(below_top_m)];
    if three_way {
        radii_m.push(woofer_m);
    }
    let half_angle_deg = |radius_m: f64| (radius_m / sphere_radius_m).asin().to_degrees();
    let spread = CLEARANCE * chance.between(1.0, 1.2);
    let share = if wide {
        chance.between(0.55, 0.9)
    } else {
        chance.between(0.1, 0.8)
    };
    let gap_deg = spread * (half_angle_deg(radii_m[0]) + half_angle_deg(radii_m[1]));
    let mut elevation_deg = (share * gap_deg).min(HIGHEST_TWEETER_DEG);
    let sideways = chance.happens(0.25);
    let mut drivers = Vec::new();
    for (i, radius_m) in radii_m.iter().enumerate() {
        if i > 0 {
            elevation_deg -= spread * (half_angle_deg(radii_m[i - 1]) + half_angle_deg(*radius_m));
        }
        let azimuth_deg = if sideways && i == 0 {
            chance.sign() * chance.between(4.0, 15.0)
        } else {
            0.0
        };
        drivers.push(Driver {
            radius_m: if i == 1 { below_top_m } else { *radius_m },
            elevation_deg,
            azimuth_deg,
            level_db: 0.3 * chance.normal().clamp(-2.0, 2.0),
            ripple: Vec::new(),
        });
    }
    drivers.reverse();

    let slope = |chance: &mut Chance| match chance.happens(0.65) {
        true => Slope::FourthOrder,
        false => Slope::SecondOrder,
    };
    let mut crossovers = Vec::new();
    if three_way {
        crossovers.push(Crossover {
            f_hz: chance.log_between(220.0, 700.0),
            slope: slope(chance),
        });
    }
    crossovers.push(Crossover {
        f_hz: top_crossover_hz,
        slope: slope(chance),
    });
    let bass_m = drivers[0].radius_m;
    // Small drivers are tuned high: 24 to 43 Hz for 0.13 m, 50 to 90 Hz for 0.03 m.
    let box_hz = 7.8 / bass_m.sqrt() * chance.between(1.1, 2.0);
    let tuning = if chance.happens(0.5) {
        BoxTuning::Sealed {
            f_hz: box_hz * 1.2,
            q: chance.between(0.6, 1.0),
        }
    } else {
        BoxTuning::Vented {
            f_hz: box_hz,
            q: [chance.between(0.5, 0.65), chance.between(0.9, 1.45)],
        }
    };
    for driver in &mut drivers {
        driver.ripple = draw_ripple(chance, 2);
    }
    let design = Design {
        sphere_radius_m,
        distance_m: chance.happens(0.6).then_some(2.0),
        level_db: chance.between(80.0, 92.0),
        drivers,
        crossovers,
        tuning,
        top_hz: chance.log_between(19_000.0, 40_000.0),
        ripple: draw_ripple(chance, 5),
    };
    Some(Plan { design, wide_m })
}

/// What the designer left of flat: a few broad bumps that together stay about +-1 dB.
fn draw_ripple(chance: &mut Chance, count: usize) -> Vec<Filter> {
    (0..count)
        .map(|_| Filter::Peaking {
            f_hz: chance.log_between(120.0, 14_000.0),
            gain_db: 0.4 * chance.normal().clamp(-2.0, 2.0),
            q: chance.log_between(0.7, 2.5),
        })
        .collect()
}
