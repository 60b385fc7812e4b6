//! Defects of market loudspeakers, each as its own physics, and how they are drawn.

use super::directivity::{Directivity, Piston};
use super::edges::{ALL_EDGES, edge};
use super::layout::Design;
use super::source::{Microphone, Radiation, Role, Source};
use super::transfer::Block;
use crate::simulate::cap::SPEED_OF_SOUND_M_PER_S;
use crate::simulate::chance::Chance;
use crate::simulate::vector::{FRONT, Vector, length};
use crate::simulate::{DefectKind, Filter};
use crate::units::db_to_amplitude;
use std::f64::consts::PI;

/// One thing a defect does.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// A change in front of everything.
    Whole(Block),
    /// A change in front of a branch.
    Branch(usize, Block),
    /// One more source.
    Add(Source),
    /// A source, counted as in [`Design::sources`], that radiates in another way.
    Radiate(usize, Radiation),
}

/// One defect.
#[derive(Debug, Clone, PartialEq)]
pub struct Defect {
    pub kind: DefectKind,
    pub f_hz: f64,
    pub acts: Vec<Act>,
    /// Whether its frequency is where its effect is largest, which geometry decides.
    pub place_by_effect: bool,
    /// Whether the designer voiced it flat in the listening window.
    pub voiced: bool,
}

impl Defect {
    /// The sources that it makes radiate in another way.
    pub fn radiating(&self) -> Vec<usize> {
        let of_act = |act: &Act| match act {
            Act::Radiate(source, _) => Some(*source),
            _ => None,
        };
        self.acts.iter().filter_map(of_act).collect()
    }
}

/// Range of the defects, Hz.
pub const DEFECTS_HZ: (f64, f64) = (80.0, 14_000.0);

/// How often each kind is drawn. Our own judgement: what reviewers find most are resonances and
/// broad errors.
pub const KINDS: [(DefectKind, f64); 8] = [
    (DefectKind::Resonance, 0.29),
    (DefectKind::Balance, 0.14),
    (DefectKind::ShallowDip, 0.14),
    (DefectKind::Cancellation, 0.10),
    (DefectKind::CrossoverPhase, 0.08),
    (DefectKind::DirectivityStep, 0.09),
    (DefectKind::SingleAxisRipple, 0.08),
    (DefectKind::DeepNull, 0.08),
];

/// A frequency at which `design` still radiates.
pub fn draw_f_hz(chance: &mut Chance, design: &Design) -> f64 {
    chance.log_between(DEFECTS_HZ.0.max(1.6 * design.corner_hz), DEFECTS_HZ.1)
}

/// Mostly 1.5 to 4 dB, now and then up to 8.
fn draw_size_db(chance: &mut Chance) -> f64 {
    match chance.happens(0.82) {
        true => chance.between(1.5, 4.0),
        false => chance.log_between(4.0, 8.0),
    }
}

/// A defect of `kind` near `f_hz` where its kind has a free place, not yet checked; `None` when
/// the design has no room for it.
pub fn draw_defect(
    chance: &mut Chance,
    design: &Design,
    kind: DefectKind,
    f_hz: f64,
) -> Option<Defect> {
    let mut voiced = false;
    let mut place_by_effect = false;
    let (f_hz, acts) = match kind {
        DefectKind::Resonance => {
            let (f_hz, acts) = draw_resonance(chance, design, f_hz);
            place_by_effect = matches!(acts[0], Act::Add(_));
            (f_hz, acts)
        }
        DefectKind::Balance => draw_balance(chance, design, f_hz),
        DefectKind::ShallowDip => {
            let dip = bell(
                f_hz,
                -chance.between(1.5, 5.0),
                chance.log_between(0.7, 3.0),
            );
            (f_hz, vec![somewhere(chance, design, f_hz, dip)])
        }
        DefectKind::Cancellation => {
            place_by_effect = true;
            match design.branches.len() > 1 && chance.happens(0.25) {
                true => draw_mouth(chance, design),
                false => draw_leak(chance, design),
            }
        }
        DefectKind::CrossoverPhase => {
            place_by_effect = true;
            let count = design.crossings.len();
            let crossing = (count > 0).then(|| design.crossings[chance.below(count)])?;
            let acts = draw_phase(chance, crossing.f_hz, crossing.low);
            (crossing.f_hz, acts)
        }
        DefectKind::DirectivityStep => {
            voiced = chance.happens(0.4);
            let crossing = design.crossings.last()?;
            let acts = draw_step(chance, design, crossing.low, crossing.f_hz)?;
            (crossing.f_hz, acts)
        }
        DefectKind::SingleAxisRipple => {
            place_by_effect = true;
            draw_ripple(chance, design)?
        }
        DefectKind::DeepNull if chance.happens(0.5) => {
            let notch = bell(
                f_hz,
                -chance.between(6.0, 25.0),
                chance.log_between(3.0, 15.0),
            );
            (f_hz, vec![somewhere(chance, design, f_hz, notch)])
        }
        DefectKind::DeepNull => {
            place_by_effect = true;
            match chance.happens(0.6) {
                true => (f_hz, vec![draw_reflection(chance, design, f_hz)?]),
                false => (f_hz, draw_grille(chance, design)),
            }
        }
    };
    Some(Defect {
        kind,
        f_hz,
        acts,
        place_by_effect,
        voiced,
    })
}

/// In front of the driver that is heard at `f_hz`, or of everything.
fn somewhere(chance: &mut Chance, design: &Design, f_hz: f64, block: Block) -> Act {
    match chance.happens(0.55) {
        true => Act::Branch(design.branch_at(f_hz), block),
        false => Act::Whole(block),
    }
}

fn bell(f_hz: f64, gain_db: f64, q: f64) -> Block {
    Block::Filter(Filter::Peaking { f_hz, gain_db, q })
}

/// A small source that radiates to all sides but for the shadow of the box.
fn opening(design: &Design, place_m: Vector, facing: Vector, radius_m: f64) -> Radiation {
    Radiation {
        place_m,
        facing,
        directivity: Directivity::Piston(Piston {
            radius_m,
            soft_from_hz: f64::INFINITY,
        }),
        shadow: Some(design.cabinet.shadow),
        edges: Vec::new(),
        round_from_hz: f64::INFINITY,
    }
}

fn add(radiation: Radiation, branch: usize, own: Vec<Block>) -> Act {
    Act::Add(Source {
        role: Role::Fault,
        radiation,
        branch,
        own,
    })
}

/// Phase that brings an opening into step with its driver on the axis at `f_hz`.
fn in_step_rad(design: &Design, branch: usize, place_m: Vector, f_hz: f64) -> f64 {
    let axis = Microphone {
        towards: FRONT,
        distance_m: design.distance_m,
    };
    let driver_m = design.main_driver(branch).radiation.place_m;
    let late_m = axis.path(place_m).detour_m - axis.path(driver_m).detour_m;
    2.0 * PI * f_hz / SPEED_OF_SOUND_M_PER_S * late_m
}

fn draw_resonance(chance: &mut Chance, design: &Design, f_hz: f64) -> (f64, Vec<Act>) {
    let size_db = draw_size_db(chance);
    let q = chance.log_between(1.5, 12.0);
    let branch = design.branch_at(f_hz);
    match chance.below(20) {
        0..3 => (f_hz, vec![Act::Whole(bell(f_hz, size_db, q))]),
        3..12 => (f_hz, vec![Act::Branch(branch, bell(f_hz, size_db, q))]),
        12..15 => {
            // A break-up: the peak and, where the parts of the cone part, a dip beside it.
            let dip_hz = f_hz * chance.between(1.2, 1.6).powf(chance.sign());
            let dip_db = -size_db * chance.between(0.25, 0.6);
            let pair = [
                bell(f_hz, size_db, q.max(2.0)),
                bell(dip_hz, dip_db, q.max(2.0)),
            ];
            (f_hz, pair.map(|b| Act::Branch(branch, b)).to_vec())
        }
        kind => {
            // A panel or a pipe: a source of its own, in step with the driver so that it adds.
            let pipe = kind >= 18 && design.port.is_some();
            let baffle = design.cabinet.baffle;
            let up_m = chance.between(baffle.bottom_m, baffle.top_m);
            let side = chance.sign();
            let panel = match chance.below(3) {
                0 => ([-design.cabinet.depth_m, 0.0, up_m], [-1.0, 0.0, 0.0]),
                1 => ([0.0, 0.3 * side * baffle.half_width_m, up_m], FRONT),
                _ => (
                    [
                        -0.5 * design.cabinet.depth_m,
                        side * baffle.half_width_m,
                        up_m,
                    ],
                    [0.0, side, 0.0],
                ),
            };
            let (place_m, facing) = design.port.filter(|_| pipe).unwrap_or(panel);
            // Pipes and panels ring where they are a wave long.
            let f_hz = match pipe {
                true => chance.log_between(350.0, 1500.0),
                false => chance
                    .log_between(120.0, 1200.0)
                    .max(1.6 * design.corner_hz),
            };
            let branch = design.branch_at(f_hz);
            let turn_rad = in_step_rad(design, branch, place_m, f_hz) + chance.between(-0.7, 0.7);
            let own = vec![
                Block::BandPass {
                    f_hz,
                    q: chance.log_between(3.0, 12.0),
                },
                // Against the half-space level of the driver; what arrives is checked.
                Block::Gain(1.3 * (db_to_amplitude(size_db) - 1.0)),
                Block::Turn(turn_rad),
            ];
            let radiation = opening(design, place_m, facing, chance.between(0.02, 0.06));
            (f_hz, vec![add(radiation, branch, own)])
        }
    }
}

fn draw_balance(chance: &mut Chance, design: &Design, f_hz: f64) -> (f64, Vec<Act>) {
    let size_db = draw_size_db(chance).min(5.5);
    let gain_db = chance.sign() * size_db;
    let q = chance.between(0.4, 0.8);
    let low_shelf = |f_hz: f64| Block::Filter(Filter::LowShelf { f_hz, gain_db, q });
    let high_shelf =
        |f_hz: f64, gain_db: f64, q: f64| Block::Filter(Filter::HighShelf { f_hz, gain_db, q });
    let (f_hz, block) = match chance.below(10) {
        0 | 1 => {
            // What the box gains between full and half space was not taken out, or by too much.
            // Where: about a sixth of the wave across the box (common practice).
            let f_hz = SPEED_OF_SOUND_M_PER_S / (6.0 * design.cabinet.baffle.half_width_m);
            (f_hz, low_shelf(f_hz))
        }
        2..5 if !design.crossings.is_empty() => {
            // A driver too loud or too quiet.
            let crossing = design.crossings[chance.below(design.crossings.len())];
            let branch = crossing.low + usize::from(chance.happens(0.7));
            let gain = Block::Gain(db_to_amplitude(gain_db));
            return (crossing.f_hz, vec![Act::Branch(branch, gain)]);
        }
        2 | 5 | 6 => (f_hz, high_shelf(f_hz, gain_db, q)),
        3 | 7 => (f_hz, low_shelf(f_hz)),
        8 => (f_hz, bell(f_hz, gain_db, chance.between(0.3, 0.7))),
        _ => {
            // A tilt: so broad a shelf that no corner is seen.
            let f_hz = chance.log_between(500.0, 2000.0);
            (f_hz, high_shelf(f_hz, 1.3 * gain_db, 0.25))
        }
    };
    (f_hz, vec![Act::Whole(block)])
}

/// Sound from the port or the back against the driver in front.
fn draw_leak(chance: &mut Chance, design: &Design) -> (f64, Vec<Act>) {
    let f_hz = chance.log_between(100f64.max(1.6 * design.corner_hz), 1400.0);
    let branch = design.branch_at(f_hz);
    let baffle = design.cabinet.baffle;
    let behind = (
        [
            -design.cabinet.depth_m,
            0.0,
            chance.between(baffle.bottom_m, baffle.top_m),
        ],
        [-1.0, 0.0, 0.0],
    );
    let (place_m, facing) = design
        .port
        .filter(|_| chance.happens(0.7))
        .unwrap_or(behind);
    let against_rad = PI + chance.between(-0.6, 0.6);
    let own = vec![
        Block::BandPass {
            f_hz,
            q: chance.log_between(1.2, 7.0),
        },
        Block::Gain(chance.between(0.25, 0.95)),
        Block::Turn(in_step_rad(design, branch, place_m, f_hz) + against_rad),
    ];
    let radiation = opening(design, place_m, facing, chance.between(0.015, 0.05));
    (f_hz, vec![add(radiation, branch, own)])
}

/// Sound thrown back at the mouth of a horn and out again later.
fn draw_mouth(chance: &mut Chance, design: &Design) -> (f64, Vec<Act>) {
    let branch = design.branches.len() - 1;
    let driver = &design.main_driver(branch).radiation;
    let delay_s = 2.0 * chance.between(0.025, 0.08) / SPEED_OF_SOUND_M_PER_S;
    let aside_m = chance.between(-0.04, 0.04);
    let place_m = [
        driver.place_m[0],
        driver.place_m[1] + aside_m,
        driver.place_m[2],
    ];
    let own = vec![
        Block::Delay(delay_s),
        Block::Gain(-chance.between(0.15, 0.45)),
        Block::low_pass(chance.log_between(3000.0, 12_000.0), None),
    ];
    let radiation = opening(design, place_m, FRONT, chance.between(0.02, 0.06));
    (1.0 / delay_s, vec![add(radiation, branch, own)])
}

/// Branches that do not meet in phase.
fn draw_phase(chance: &mut Chance, f_hz: f64, low: usize) -> Vec<Act> {
    let branch = low + chance.below(2);
    let late = |periods: f64| Act::Branch(branch, Block::Delay(periods / f_hz));
    match chance.below(10) {
        0..7 => vec![late(chance.sign() * chance.log_between(0.14, 0.33))],
        7 => {
            let inverted = Act::Branch(low + 1, Block::Gain(-1.0));
            vec![inverted, late(chance.sign() * chance.between(0.0, 0.25))]
        }
        _ => {
            // One side steeper than the other was made for.
            let (far, q) = (chance.between(0.9, 1.3), Some(chance.between(0.6, 1.2)));
            let steeper = match branch == low {
                true => Block::low_pass(f_hz * far, q),
                false => Block::high_pass(f_hz / far, q),
            };
            vec![Act::Branch(branch, steeper)]
        }
    }
}

/// Drivers too large for the crossover above them: ka from 2.8 to 6 there.
fn draw_step(chance: &mut Chance, design: &Design, branch: usize, f_hz: f64) -> Option<Vec<Act>> {
    let ka = chance.between(2.8, 6.0);
    let radius_m = ka * SPEED_OF_SOUND_M_PER_S / (2.0 * PI * f_hz);
    let wide = Piston {
        radius_m: radius_m.min(0.2),
        soft_from_hz: f_hz * chance.between(1.5, 4.0),
    };
    let acts: Vec<Act> = design
        .sources
        .iter()
        .enumerate()
        .filter(|(_, s)| s.branch == branch)
        .filter_map(|(source, s)| {
            let directivity = match s.radiation.directivity {
                Directivity::Piston(piston) if piston.radius_m < wide.radius_m => {
                    Directivity::Piston(wide)
                }
                _ => return None,
            };
            let radiation = s.radiation.clone();
            Some(Act::Radiate(
                source,
                Radiation {
                    directivity,
                    ..radiation
                },
            ))
        })
        .collect();
    (!acts.is_empty()).then_some(acts)
}

/// Pieces of edge of a round rim.
const RIM: usize = 20;

/// Edges at one distance round the highest driver or the one below: a round baffle or a rim.
fn draw_ripple(chance: &mut Chance, design: &Design) -> Option<(f64, Vec<Act>)> {
    let top = design.branches.len() - 1;
    let branch = if chance.happens(0.75) {
        top
    } else {
        top.saturating_sub(1)
    };
    let source = design.sources.iter().position(|s| s.branch == branch)?;
    let mut radiation = design.sources[source].radiation.clone();
    let distance_m = chance.log_between(0.04, 0.2);
    let strength = chance.log_between(0.12, 0.55) / ALL_EDGES;
    let shares: Vec<f64> = (0..RIM).map(|_| chance.between(0.5, 1.0)).collect();
    let sum: f64 = shares.iter().sum();
    radiation
        .edges
        .extend(shares.iter().enumerate().map(|(i, share)| {
            let round_rad = 2.0 * PI * i as f64 / RIM as f64;
            edge(
                radiation.place_m,
                distance_m,
                round_rad,
                strength * share / sum,
            )
        }));
    radiation.round_from_hz = f64::INFINITY;
    Some((
        SPEED_OF_SOUND_M_PER_S / distance_m,
        vec![Act::Radiate(source, radiation)],
    ))
}

/// An object beside the box, later than the driver by an odd number of half waves on the axis.
fn draw_reflection(chance: &mut Chance, design: &Design, f_hz: f64) -> Option<Act> {
    let branch = design.branch_at(f_hz);
    let late_m = SPEED_OF_SOUND_M_PER_S / f_hz * (0.5 + chance.below(2) as f64);
    let (off_rad, round_rad) = (chance.between(0.6, 2.2), chance.between(-PI, PI));
    let distance_m = late_m / (1.0 - off_rad.cos());
    if !(0.03..1.2).contains(&distance_m) {
        return None;
    }
    let way_m = [
        distance_m * off_rad.cos(),
        distance_m * off_rad.sin() * round_rad.cos(),
        distance_m * off_rad.sin() * round_rad.sin(),
    ];
    let own = vec![
        Block::BandPass {
            f_hz,
            q: chance.log_between(1.0, 6.0),
        },
        Block::Gain(chance.between(0.3, 0.95)),
    ];
    Some(object(design, branch, way_m, own))
}

/// Both bars of a grille's frame beside the highest driver.
fn draw_grille(chance: &mut Chance, design: &Design) -> Vec<Act> {
    let branch = design.branches.len() - 1;
    let ahead_m = chance.between(0.005, 0.02);
    let wide_m = chance.log_between(0.03, 0.1);
    let gain = chance.between(0.2, 0.5);
    let bars = [-1.0, 1.0].map(|side| {
        let way_m = [ahead_m, side * wide_m * chance.between(0.9, 1.1), 0.0];
        let own = vec![
            Block::Gain(-gain),
            Block::low_pass(chance.log_between(6000.0, 15_000.0), None),
        ];
        object(design, branch, way_m, own)
    });
    bars.to_vec()
}

/// An object at `way_m` from the main driver of a branch, which sends on what reaches it.
fn object(design: &Design, branch: usize, way_m: Vector, mut own: Vec<Block>) -> Act {
    let driver_m = design.main_driver(branch).radiation.place_m;
    let place_m = std::array::from_fn(|i| driver_m[i] + way_m[i]);
    own.push(Block::Delay(length(way_m) / SPEED_OF_SOUND_M_PER_S));
    let radiation = Radiation {
        shadow: None,
        ..opening(design, place_m, FRONT, 0.001)
    };
    add(radiation, branch, own)
}
