//! The healthy design of a loudspeaker: which drivers stand where, in what box, how divided.
//!
//! Ranges are our own choice after common loudspeakers, from a driver of 3 inches to three of 10.

use super::directivity::{Directivity, Piston, Shadow};
use super::edges::Baffle;
use super::source::{Microphone, Radiation, Role, Source};
use super::transfer::{Block, Opening, Vented, chain, draw_crossover};
use super::unevenness::Unevenness;
use crate::simulate::cap::SPEED_OF_SOUND_M_PER_S;
use crate::simulate::chance::Chance;
use crate::simulate::vector::{FRONT, Vector};
use std::f64::consts::PI;

/// How the drivers are arranged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    DomeTwoWay,
    WaveguideTwoWay,
    ThreeWay,
    TwoWoofers,
    /// Two woofers, the lower one for the bass only.
    TwoAndAHalf,
    Coaxial,
    OpenBaffle,
    /// A source behind that takes away what goes to the back.
    Cardioid,
    Line,
    FullRange,
    /// A three-way with two or three bass drivers.
    Tower,
}

/// How often each is drawn: two-ways are most of the market.
const LAYOUTS: [(Layout, f64); 11] = [
    (Layout::DomeTwoWay, 0.22),
    (Layout::WaveguideTwoWay, 0.17),
    (Layout::ThreeWay, 0.11),
    (Layout::TwoWoofers, 0.08),
    (Layout::TwoAndAHalf, 0.06),
    (Layout::Coaxial, 0.09),
    (Layout::OpenBaffle, 0.06),
    (Layout::Cardioid, 0.06),
    (Layout::Line, 0.03),
    (Layout::FullRange, 0.04),
    (Layout::Tower, 0.08),
];

/// Where two branches meet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Crossover, Hz.
    pub f_hz: f64,
    /// The branch below; the one above follows.
    pub low: usize,
}

/// The box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cabinet {
    pub baffle: Baffle,
    pub depth_m: f64,
    pub shadow: Shadow,
    /// Above this its edges count as round, Hz.
    pub round_from_hz: f64,
}

/// A loudspeaker without defects.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    pub layout: Layout,
    pub cabinet: Cabinet,
    /// What the signal of each branch passes, lowest branch first.
    pub branches: Vec<Vec<Block>>,
    /// All sources; the first of a branch is its main driver.
    pub sources: Vec<Source>,
    /// Where the branches meet.
    pub crossings: Vec<Crossing>,
    /// Resonance or tuning of the bass, Hz.
    pub corner_hz: f64,
    /// What cone and port do together.
    pub bass: Block,
    /// Second opening of the box and its axis, where there is one.
    pub port: Option<(Vector, Vector)>,
    /// Distance of the measurement, m; `None` in the far field.
    pub distance_m: Option<f64>,
    /// What everything passes.
    pub whole: Vec<Block>,
    pub uneven: Unevenness,
}

impl Design {
    /// The main driver of a branch.
    pub fn main_driver(&self, branch: usize) -> &Source {
        let found = self.sources.iter().find(|s| s.branch == branch);
        found.unwrap_or(&self.sources[0])
    }

    /// The branch that is loudest at `f_hz`.
    pub fn branch_at(&self, f_hz: f64) -> usize {
        let size = |b: &usize| chain(&self.branches[*b], f_hz).norm();
        (0..self.branches.len())
            .max_by(|a, b| size(a).total_cmp(&size(b)))
            .unwrap_or(0)
    }

    /// How loud the bass is meant to be at `f_hz`: cone and port together, 1 in the pass band.
    pub fn bass(&self, f_hz: f64) -> f64 {
        self.bass.response(f_hz).norm()
    }

    /// A random one.
    pub fn draw(chance: &mut Chance) -> Design {
        let layout = by_share(chance, &LAYOUTS);
        let (mut units, tops_hz) = draw_units(chance, layout);
        let bass_m = radius_m(&units[0]);
        let (corner_hz, bass) = draw_bass(chance, layout, bass_m);
        let cabinet = draw_cabinet(chance, &units);
        let (branches, crossings) = draw_branches(chance, layout, &tops_hz);
        let mut port = None;
        let bass_units = units.iter().filter(|u| u.branch == 0).count();
        let cone = match bass {
            Block::Vented(vented, _) => Block::Vented(vented, Opening::Cone),
            _ => bass.clone(),
        };
        for unit in units.iter_mut().filter(|u| u.branch == 0) {
            unit.own.push(cone.clone());
        }
        if let Block::Vented(vented, _) = bass {
            let (place_m, facing) = draw_port(chance, &cabinet, units[0].radiation.place_m);
            port = Some((place_m, facing));
            let directivity = piston(0.4 * bass_m, f64::INFINITY);
            let mut opening = source(place_m, facing, directivity, 0);
            opening.role = Role::Port;
            opening.own = vec![
                Block::Vented(vented, Opening::Port),
                Block::Gain(bass_units as f64),
            ];
            units.push(opening);
        }
        if layout == Layout::Cardioid {
            let rear = draw_rear(chance, &cabinet, &units[0], cone);
            units.push(rear);
        }
        let height_m = cabinet.baffle.top_m - cabinet.baffle.bottom_m;
        let distance_m = chance.happens(0.6).then(|| {
            let drawn_m = chance.log_between(1.0, 4.0);
            // Nobody measures a tower from as near as a small box.
            drawn_m.max(1.2 * height_m).min(4.0)
        });
        // Where the tweeter ends.
        let top_hz = chance.log_between(19_000.0, 60_000.0);
        let mut design = Design {
            layout,
            cabinet,
            uneven: Unevenness::draw(chance, branches.len()),
            sources: in_box(chance, units, &cabinet, layout),
            branches,
            crossings,
            corner_hz,
            bass,
            port,
            distance_m,
            whole: vec![Block::low_pass(top_hz, None)],
        };
        design.align(chance);
        design
    }

    /// Brings all branches to the reference axis at one time, but for a small error, and to one
    /// level, but for 0.2 dB.
    fn align(&mut self, chance: &mut Chance) {
        let axis = Microphone {
            towards: FRONT,
            distance_m: self.distance_m,
        };
        for branch in 0..self.branches.len() {
            let path = axis.path(self.main_driver(branch).radiation.place_m);
            let crossing = self.crossings.iter().find(|c| c.low + 1 == branch);
            let late_s = crossing.map_or(0.0, |c| 0.015 * chance.normal() / c.f_hz);
            let sources = self.sources.iter().filter(|s| s.branch == branch);
            let drivers = sources.filter(|s| s.role == Role::Driver);
            let level_db = 0.2 * chance.normal() - 20.0 * (drivers.count().max(1) as f64).log10();
            self.branches[branch].extend([
                Block::Delay(late_s - path.detour_m / SPEED_OF_SOUND_M_PER_S),
                Block::Gain(crate::units::db_to_amplitude(level_db)),
            ]);
        }
    }
}

/// Radius of a driver, of a waveguide that of its mouth.
fn radius_m(unit: &Source) -> f64 {
    match unit.radiation.directivity {
        Directivity::Piston(piston) | Directivity::Gradient { piston, .. } => piston.radius_m,
        Directivity::Waveguide { .. } => 0.06,
    }
}

/// One of them by its share; the shares add up to one.
pub fn by_share<T: Copy>(chance: &mut Chance, all: &[(T, f64)]) -> T {
    let mut left = chance.unit();
    let found = all.iter().find(|(_, share)| {
        left -= share;
        left < 0.0
    });
    found.unwrap_or(&all[0]).0
}

/// A driver of a branch, not yet in a box.
fn source(place_m: Vector, facing: Vector, directivity: Directivity, branch: usize) -> Source {
    Source {
        role: Role::Driver,
        radiation: Radiation {
            place_m,
            facing,
            directivity,
            shadow: None,
            edges: Vec::new(),
            round_from_hz: f64::INFINITY,
        },
        branch,
        own: Vec::new(),
    }
}

fn piston(radius_m: f64, soft_from_hz: f64) -> Directivity {
    Directivity::Piston(Piston {
        radius_m,
        soft_from_hz,
    })
}

/// Frequency at which a piston of this radius has this `ka`.
fn f_of_ka_hz(ka: f64, radius_m: f64) -> f64 {
    ka * SPEED_OF_SOUND_M_PER_S / (2.0 * PI * radius_m)
}

/// A cone whose outer part lets go from about its usual crossover on.
fn draw_cone(chance: &mut Chance, radius_m: f64) -> Directivity {
    piston(radius_m, f_of_ka_hz(chance.between(1.2, 5.0), radius_m))
}

fn draw_tweeter(chance: &mut Chance, guided: bool) -> Directivity {
    let dome = Piston {
        radius_m: chance.between(0.009, 0.017),
        soft_from_hz: chance.log_between(7000.0, 25_000.0),
    };
    if !guided {
        return Directivity::Piston(dome);
    }
    let half_side_rad = chance.between(38.0, 62.0).to_radians();
    Directivity::Waveguide {
        piston: dome,
        half_side_rad,
        half_up_rad: half_side_rad * chance.between(0.6, 1.1),
        from_hz: SPEED_OF_SOUND_M_PER_S / chance.between(0.1, 0.25),
        shape: chance.between(1.7, 3.0),
    }
}

/// The drivers, those of the bass first, and the crossovers, Hz.
fn draw_units(chance: &mut Chance, layout: Layout) -> (Vec<Source>, Vec<f64>) {
    let unit = |side_m: f64, up_m: f64, directivity: Directivity, branch: usize| {
        source([0.0, side_m, up_m], FRONT, directivity, branch)
    };
    // A driver that suits its crossover has ka from 0.8 to 2.2 there.
    let top_hz = |chance: &mut Chance, radius_m: f64| {
        f_of_ka_hz(chance.between(0.8, 2.2), radius_m).clamp(1200.0, 4800.0)
    };
    let bass_hz = chance.log_between(180.0, 750.0);
    let woofer_m = chance.log_between(0.045, 0.105);
    let middle_m = chance.log_between(0.035, 0.07);
    let large_m = chance.log_between(0.07, 0.14);
    let gap = |chance: &mut Chance, a_m: f64, b_m: f64| chance.between(1.1, 1.4) * (a_m + b_m);
    let aside_m = match chance.happens(0.25) {
        true => chance.between(-0.05, 0.05),
        false => 0.0,
    };
    // The axis leaves from the tweeter or a little below.
    let tweeter_up = |chance: &mut Chance, gap_m: f64| match chance.happens(0.6) {
        true => 0.0,
        false => gap_m * chance.between(0.0, 0.6),
    };
    match layout {
        Layout::DomeTwoWay | Layout::WaveguideTwoWay | Layout::Cardioid | Layout::TwoAndAHalf => {
            let guided = layout != Layout::DomeTwoWay && chance.happens(0.9);
            let flange_m = if guided { 0.07 } else { 0.04 };
            let gap_m = gap(chance, woofer_m, flange_m);
            let up_m = tweeter_up(chance, gap_m);
            let cone = draw_cone(chance, woofer_m);
            let mut units = vec![unit(0.0, up_m - gap_m, cone, 0)];
            if layout == Layout::TwoAndAHalf {
                let mut lower = unit(0.0, up_m - gap_m - 2.3 * woofer_m, cone, 0);
                let q = chance.happens(0.5).then_some(0.6);
                lower
                    .own
                    .push(Block::low_pass(chance.log_between(150.0, 450.0), q));
                units.push(lower);
            }
            units.push(unit(aside_m, up_m, draw_tweeter(chance, guided), 1));
            (units, vec![top_hz(chance, woofer_m)])
        }
        Layout::ThreeWay | Layout::Tower => {
            let gap_m = gap(chance, middle_m, 0.04);
            let up_m = tweeter_up(chance, gap_m);
            let middle_up_m = up_m - gap_m;
            let step_m = gap(chance, large_m, middle_m);
            let basses = match layout {
                Layout::Tower => 2 + chance.below(2),
                _ => 1,
            };
            let to_the_side = layout == Layout::Tower && chance.happens(0.15);
            let mut units: Vec<Source> = (0..basses)
                .map(|i| {
                    let down_m = step_m + 2.2 * large_m * i as f64;
                    let mut bass = unit(0.0, middle_up_m - down_m, draw_cone(chance, large_m), 0);
                    if to_the_side {
                        let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
                        bass.radiation.facing = [0.0, sign, 0.0];
                        bass.radiation.place_m[0] = -0.15;
                        bass.radiation.place_m[1] = 0.1 * sign;
                    }
                    bass
                })
                .collect();
            let guided = chance.happens(0.3);
            units.push(unit(0.0, middle_up_m, draw_cone(chance, middle_m), 1));
            units.push(unit(aside_m, up_m, draw_tweeter(chance, guided), 2));
            (units, vec![bass_hz, top_hz(chance, middle_m)])
        }
        Layout::TwoWoofers => {
            let radius_m = 0.8 * woofer_m;
            let gap_m = gap(chance, radius_m, 0.04);
            let cone = draw_cone(chance, radius_m);
            let guided = chance.happens(0.3);
            let units = vec![
                unit(0.0, -gap_m, cone, 0),
                unit(0.0, gap_m, cone, 0),
                unit(0.0, 0.0, draw_tweeter(chance, guided), 1),
            ];
            (units, vec![top_hz(chance, radius_m)])
        }
        Layout::Coaxial => {
            let mut tweeter = unit(0.0, 0.0, draw_tweeter(chance, true), 1);
            tweeter.radiation.place_m[0] = -chance.between(0.0, 0.03);
            let inner_m = [middle_m, woofer_m][chance.below(2)];
            let mut units = vec![unit(0.0, 0.0, draw_cone(chance, inner_m), 0), tweeter];
            let mut tops_hz = vec![top_hz(chance, inner_m)];
            if chance.happens(0.4) {
                units.iter_mut().for_each(|u| u.branch += 1);
                let down_m = gap(chance, large_m, inner_m);
                units.insert(0, unit(0.0, -down_m, draw_cone(chance, large_m), 0));
                tops_hz.insert(0, bass_hz);
            }
            (units, tops_hz)
        }
        Layout::OpenBaffle => {
            let gap_m = gap(chance, middle_m, 0.04);
            let step_m = gap(chance, large_m, middle_m);
            let open = |chance: &mut Chance, radius_m: f64| Directivity::Gradient {
                omni: chance.between(0.0, 0.12),
                piston: Piston {
                    radius_m,
                    soft_from_hz: f_of_ka_hz(3.0, radius_m),
                },
                to_hz: f_of_ka_hz(chance.between(2.0, 5.0), radius_m),
            };
            let tweeter = match chance.happens(0.5) {
                true => open(chance, 0.014),
                false => draw_tweeter(chance, false),
            };
            let units = vec![
                unit(0.0, -gap_m - step_m, open(chance, large_m), 0),
                unit(0.0, -gap_m, open(chance, middle_m), 1),
                unit(0.0, 0.0, tweeter, 2),
            ];
            (units, vec![bass_hz, top_hz(chance, middle_m)])
        }
        Layout::Line => {
            let radius_m = chance.between(0.018, 0.035);
            let count = 4 + chance.below(4);
            let cone = draw_cone(chance, radius_m);
            let units = (0..count)
                .map(|i| {
                    let from_middle = i as f64 - 0.5 * (count as f64 - 1.0);
                    let mut small = unit(0.0, from_middle * 2.25 * radius_m, cone, 0);
                    // The outer ones fade, so that the line stays one source.
                    if from_middle.abs() > 1.0 {
                        let fades = Block::low_pass(4000.0 / from_middle.abs(), None);
                        small.own.push(fades);
                    }
                    small
                })
                .collect();
            (units, Vec::new())
        }
        Layout::FullRange => {
            let radius_m = chance.between(0.028, 0.06);
            let cone = piston(radius_m, f_of_ka_hz(chance.between(1.0, 2.5), radius_m));
            (vec![unit(aside_m, 0.0, cone, 0)], Vec::new())
        }
    }
}

/// Source of the ranges: Small's alignments (see [`Vented`]), a closed box from over- to
/// underdamped. The tuning falls with the driver: 24 to 43 Hz for 0.13 m of radius.
fn draw_bass(chance: &mut Chance, layout: Layout, radius_m: f64) -> (f64, Block) {
    let f_hz = (7.8 / radius_m.sqrt() * chance.between(1.1, 2.2)).clamp(22.0, 95.0);
    if layout == Layout::OpenBaffle || chance.happens(0.4) {
        let q = Some(chance.log_between(0.5, 1.2));
        return (f_hz, Block::high_pass(f_hz, q));
    }
    let vented = Vented {
        f_hz,
        q: [chance.between(0.5, 0.65), chance.between(0.9, 1.4)],
        loss: chance.between(0.05, 0.2),
        notch: match chance.happens(0.2) {
            true => chance.between(0.3, 0.6),
            false => 0.0,
        },
    };
    (f_hz, Block::Vented(vented, Opening::Both))
}

fn draw_cabinet(chance: &mut Chance, units: &[Source]) -> Cabinet {
    let margin_m = chance.log_between(0.01, 0.12);
    let reach = |height: &dyn Fn(&Source) -> f64| units.iter().map(height).fold(0.0, f64::max);
    let half_width_m = margin_m.max(0.015) + reach(&|u| u.radiation.place_m[1].abs() + radius_m(u));
    let baffle = Baffle {
        half_width_m,
        top_m: margin_m + reach(&|u| u.radiation.place_m[2] + radius_m(u)),
        bottom_m: -chance.log_between(0.02, 0.4) - reach(&|u| radius_m(u) - u.radiation.place_m[2]),
    };
    // Edges count as round where the wave is as long as the circumference of their rounding.
    let rounding_m = match chance.happens(0.5) {
        true => 0.002,
        false => chance.log_between(0.005, 0.05),
    };
    let wide_m = (half_width_m * (baffle.top_m - baffle.bottom_m)).sqrt();
    Cabinet {
        baffle,
        depth_m: chance.between(0.16, 0.42),
        shadow: Shadow {
            from_hz: f_of_ka_hz(chance.between(1.5, 3.0), wide_m),
            back_db: chance.between(14.0, 32.0),
        },
        round_from_hz: f_of_ka_hz(1.0, rounding_m),
    }
}

fn draw_port(chance: &mut Chance, cabinet: &Cabinet, woofer_m: Vector) -> (Vector, Vector) {
    let (low_m, high_m) = (cabinet.baffle.bottom_m + 0.03, cabinet.baffle.top_m - 0.03);
    let up_m = low_m + (high_m - low_m) * chance.unit();
    if chance.happens(0.5) {
        ([-cabinet.depth_m, 0.0, up_m], [-1.0, 0.0, 0.0])
    } else {
        let below_m = (0.5 * (low_m + woofer_m[2])).min(woofer_m[2] - 0.05);
        ([0.0, 0.0, below_m.max(low_m)], FRONT)
    }
}

/// The source at the back of a cardioid: inverted, later by the way round the box, and gone where
/// the box shades by itself. What the low-pass delays comes off the delay.
fn draw_rear(chance: &mut Chance, cabinet: &Cabinet, woofer: &Source, cone: Block) -> Source {
    let depth_s = cabinet.depth_m / SPEED_OF_SOUND_M_PER_S;
    let way_s = depth_s * chance.between(0.7, 1.1);
    // In front it would be against the woofer where both ways together are a wave.
    let gone_hz = chance.between(0.2, 0.35) / depth_s;
    let place_m = [-cabinet.depth_m, 0.0, woofer.radiation.place_m[2]];
    let directivity = piston(radius_m(woofer), f64::INFINITY);
    let mut rear = source(place_m, [-1.0, 0.0, 0.0], directivity, 0);
    rear.role = Role::Rear;
    rear.own = vec![
        cone,
        Block::low_pass(gone_hz, None),
        Block::Delay((way_s - 0.5 / (PI * gone_hz)).max(0.0)),
        Block::Gain(-chance.between(0.55, 0.9)),
    ];
    rear
}

/// Blocks of each branch from the crossovers, lowest first.
fn draw_branches(
    chance: &mut Chance,
    layout: Layout,
    tops_hz: &[f64],
) -> (Vec<Vec<Block>>, Vec<Crossing>) {
    let mut branches: Vec<Vec<Block>> = vec![Vec::new()];
    let mut crossings = Vec::new();
    for (i, f_hz) in tops_hz.iter().enumerate() {
        let sides = draw_crossover(chance, *f_hz);
        // What was inverted below stays so above.
        let inverted = branches[i].iter().filter(|b| **b == Block::Gain(-1.0));
        let mut high: Vec<Block> = inverted.cloned().collect();
        high.extend(sides.high);
        branches[i].extend(sides.low);
        branches.push(high);
        crossings.push(Crossing {
            f_hz: *f_hz,
            low: i,
        });
    }
    if layout == Layout::FullRange && chance.happens(0.5) {
        // A cone of its own accord falls off above its last break-up.
        let last_hz = chance.log_between(12_000.0, 20_000.0);
        branches[0].push(Block::low_pass(last_hz, Some(0.7)));
    }
    (branches, crossings)
}

/// Pieces of edge of all sources together: as many as the time allows.
const EDGES_IN_ALL: usize = 48;

/// The sources with the edges and the shadow of their box.
fn in_box(
    chance: &mut Chance,
    mut sources: Vec<Source>,
    cabinet: &Cabinet,
    layout: Layout,
) -> Vec<Source> {
    let each = (EDGES_IN_ALL / sources.len()).clamp(6, 24);
    for source in &mut sources {
        let radiation = &mut source.radiation;
        let open = matches!(radiation.directivity, Directivity::Gradient { .. });
        if open || radiation.facing[1] != 0.0 {
            // Without edges it would be twice as loud in the bass as it is in a box.
            source.own.push(Block::Gain(0.6));
        } else {
            radiation.edges = cabinet.baffle.edges(radiation.place_m, each, chance);
        }
        radiation.round_from_hz = cabinet.round_from_hz;
        radiation.shadow = (!open).then_some(match layout {
            // Nothing but the driver itself stands in the way.
            Layout::OpenBaffle => Shadow {
                from_hz: 3000.0,
                back_db: 20.0,
            },
            _ => cabinet.shadow,
        });
    }
    sources
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_layouts_come_up_and_branches_crossings_and_sources_fit_together() {
        let mut seen = Vec::new();
        for seed in 0..300 {
            let design = Design::draw(&mut Chance::new(seed));
            if !seen.contains(&design.layout) {
                seen.push(design.layout);
            }
            assert_eq!(design.branches.len(), design.crossings.len() + 1);
            for branch in 0..design.branches.len() {
                assert!(design.sources.iter().any(|s| s.branch == branch));
            }
            let baffle = design.cabinet.baffle;
            assert!(baffle.top_m > 0.0 && baffle.bottom_m < 0.0);
        }
        assert_eq!(seen.len(), LAYOUTS.len());
    }

    #[test]
    fn the_bass_is_one_in_its_pass_band_and_falls_below() {
        for seed in 0..20 {
            let design = Design::draw(&mut Chance::new(seed));
            assert!((design.bass(30.0 * design.corner_hz) - 1.0).abs() < 0.02);
            assert!(design.bass(0.2 * design.corner_hz) < 0.12, "{seed}");
        }
    }
}
