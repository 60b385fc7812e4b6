//! A third population: directivities, lobes and ripples sketched by formula instead of derived
//! from where things stand.
//!
//! Its purpose is breadth. Each part is drawn from several formulas that agree on little: how a
//! driver beams, how a second source adds, how a comb moves with angle. Healthy speakers of this
//! kind also carry weak echoes from everywhere, as real cabinets do. Ranges are our own choice.

use super::analog::{BoxTuning, Crossover, Filter, Slope, band_pass, high_pass_first};
use super::cap::SPEED_OF_SOUND_M_PER_S;
use super::chance::Chance;
use super::defect::DefectKind;
use super::known::Simulated;
use super::population::{Drawn, with_defects};
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Orbit, Response};
use crate::units::amplitude_to_db;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Level of the pass band, dB; any would do.
const LEVEL_DB: f64 = 85.0;

/// No driver is larger than this many radians (wave number times radius) at the upper end of its
/// band; the highest plays to [`LARGEST_TO_HZ`].
const LARGEST_SIZE: f64 = 3.5;
const LARGEST_TO_HZ: f64 = 12_000.0;

/// A direction as the formulas want it.
#[derive(Debug, Clone, Copy)]
struct Seen {
    /// Angle off the axis, radians, 0 to pi.
    off_rad: f64,
    front: f64,
    side: f64,
    up: f64,
}

impl Seen {
    fn from(direction: Direction) -> Seen {
        let angle_rad = direction.angle_deg().to_radians();
        let (side, up) = match direction.orbit() {
            Orbit::Horizontal => (angle_rad.sin(), 0.0),
            Orbit::Vertical => (0.0, angle_rad.sin()),
        };
        Seen {
            off_rad: angle_rad.abs(),
            front: angle_rad.cos(),
            side,
            up,
        }
    }
}

/// How a driver of a given size thins out off its axis.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Beam {
    /// A rigid piston in a wall to the front (Kinsler et al., Fundamentals of Acoustics,
    /// chapter 7), its side lobes cut off at -20 dB.
    Piston,
    /// A bell over the angle that narrows with frequency.
    Bell,
    /// A power of the cosine of half the angle.
    Power,
}

impl Beam {
    /// Amplitude at `seen` against the axis; `size` is wave number times radius.
    fn amplitude(self, seen: Seen, size: f64) -> f64 {
        match self {
            Beam::Piston => {
                let x = size * seen.off_rad.min(PI / 2.0).sin();
                let lobe = if x < 1e-6 { 1.0 } else { 2.0 * libm::j1(x) / x };
                lobe.abs().max(0.1)
            }
            Beam::Bell => (-(0.42 * size * seen.off_rad.min(2.2)).powi(2))
                .exp()
                .max(0.03),
            Beam::Power => (0.5 * (1.0 + seen.front)).max(0.02).powf(0.45 * size),
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
struct Driver {
    beam: Beam,
    radius_m: f64,
    /// Height over the axis and distance behind it, m.
    up_m: f64,
    level_db: f64,
}

/// A copy of a sound: how much later it arrives, in metres, by direction.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Detour {
    on_axis_m: f64,
    per_front_m: f64,
    per_side_m: f64,
    per_up_m: f64,
}

impl Detour {
    fn metres(&self, seen: Seen) -> f64 {
        self.on_axis_m
            + self.per_front_m * (1.0 - seen.front)
            + self.per_side_m * seen.side
            + self.per_up_m * seen.up
    }
}

/// Levels off axis that go their own way round a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Swing {
    f_hz: f64,
    /// Loss straight to the back, dB.
    back_db: f64,
    shape: f64,
    below_oct: f64,
    above_oct: f64,
}

impl Swing {
    fn level_db(&self, f_hz: f64, seen: Seen) -> f64 {
        let octaves = (f_hz / self.f_hz).log2();
        let width = match octaves < 0.0 {
            true => self.below_oct,
            false => self.above_oct,
        };
        let bell = (-0.5 * (octaves / width).powi(2)).exp();
        -self.back_db * bell * (0.5 * (1.0 - seen.front)).powf(self.shape)
    }

    /// A driver that beams and the next one that does not: mostly a slow rise and a quick end.
    fn draw(chance: &mut Chance, f_hz: f64, (least_db, most_db): (f64, f64)) -> Swing {
        let below_oct = chance.log_between(0.2, 1.2);
        let sign = if chance.happens(0.35) { -0.7 } else { 1.0 };
        Swing {
            f_hz,
            back_db: sign * chance.between(least_db, most_db),
            shape: chance.between(0.6, 2.0),
            below_oct,
            above_oct: below_oct * chance.between(0.2, 1.2),
        }
    }
}

/// The band in which something acts.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Band {
    Around { f_hz: f64, q: f64 },
    Above { f_hz: f64 },
    All,
}

impl Band {
    fn response(self, f_hz: f64) -> Complex64 {
        match self {
            Band::Around { f_hz: center_hz, q } => band_pass(f_hz, center_hz, q),
            Band::Above { f_hz: from_hz } => high_pass_first(f_hz, from_hz),
            Band::All => Complex64::from(1.0),
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Fault {
    Filter(Filter),
    /// A mode that radiates a little differently in each direction.
    Mode {
        f_hz: f64,
        gain_db: f64,
        q: f64,
        by_front: f64,
        by_side: f64,
    },
    /// A weaker copy of the whole sound.
    Copy {
        strength: f64,
        turn_rad: f64,
        band: Band,
        detour: Detour,
        /// Share of the strength that is left straight to the back.
        back_share: f64,
    },
    /// A notch whose depth and frequency move with angle: `1 - depth BP(f)`.
    Notch {
        f_hz: f64,
        q: f64,
        depth: f64,
        /// Octaves the notch moves to 90 degrees, to the side and up.
        moves_oct: [f64; 2],
        /// Depth to the back against the front: below 0 it fills there.
        back_share: f64,
    },
    /// A slope over the whole band, up to three octaves to either side.
    Tilt {
        f_hz: f64,
        db_per_oct: f64,
    },
    /// A driver out of step: late, turned, or of the wrong polarity.
    Late {
        driver: usize,
        delay_s: f64,
        turn_rad: f64,
    },
    Swing(Swing),
    /// The wave of a ring-shaped edge: `J0` of its size over the angle off axis.
    Ring {
        radius_m: f64,
        strength: f64,
        from_hz: f64,
    },
    /// A ripple in dB that dies away beside the axis.
    Ripple {
        /// Distance of its crests: octaves for `by_octave`, else Hz.
        period: f64,
        by_octave: bool,
        size_db: f64,
        turn_rad: f64,
        from_hz: f64,
        within_rad: f64,
    },
}

#[derive(Debug, Clone, PartialEq)]
struct Defect {
    kind: DefectKind,
    f_hz: f64,
    fault: Fault,
}

/// A loudspeaker sketched by formula, with known defects.
#[derive(Debug, Clone, PartialEq)]
pub struct SketchSpeaker {
    drivers: Vec<Driver>,
    crossovers: Vec<Crossover>,
    tuning: BoxTuning,
    ripple: Vec<Filter>,
    echoes: Vec<(f64, Detour)>,
    /// Directivity of its own that is smooth in angle but not in frequency, flat on axis.
    swings: Vec<Swing>,
    top_hz: f64,
    shadow_db: f64,
    shadow_hz: f64,
    defects: Vec<Defect>,
}

fn turned(turn_rad: f64) -> Complex64 {
    Complex64::from_polar(1.0, turn_rad)
}

/// 1 to the front, `share` to the back.
fn towards_back(seen: Seen, share: f64) -> f64 {
    1.0 - (1.0 - share) * 0.5 * (1.0 - seen.front)
}

impl SketchSpeaker {
    /// A random one with up to five defects between 250 Hz and 9 kHz, each checked to have an
    /// effect of its kind; the same `seed` gives the same speaker.
    pub fn draw(seed: u64) -> SketchSpeaker {
        let mut chance = Chance::new(seed);
        let design = draw_design(&mut chance);
        with_defects(design, &mut chance)
    }

    fn signal(&self, driver: usize, f_hz: f64) -> Complex64 {
        let mut signal = Complex64::from(10f64.powf(self.drivers[driver].level_db / 20.0));
        for (j, crossover) in self.crossovers.iter().enumerate() {
            let (low, high) = crossover.parts(f_hz);
            signal *= match driver {
                _ if driver == j => low,
                _ if driver == j + 1 => high,
                _ => low + high,
            };
        }
        if driver == 0 {
            signal *= self.tuning.response(f_hz);
        }
        for defect in &self.defects {
            if let Fault::Late {
                driver: late,
                delay_s,
                turn_rad,
            } = defect.fault
                && late == driver
            {
                signal *= turned(turn_rad - 2.0 * PI * f_hz * delay_s);
            }
        }
        signal
    }

    /// What all directions have in common at one frequency: the signal of each driver.
    fn signals(&self, f_hz: f64) -> Vec<Complex64> {
        let mut whole = 1.0 / Complex64::new(1.0, f_hz / self.top_hz);
        let faults = self.defects.iter().filter_map(|d| match &d.fault {
            Fault::Filter(filter) => Some(filter),
            _ => None,
        });
        for filter in self.ripple.iter().chain(faults) {
            whole *= filter.response(f_hz);
        }
        (0..self.drivers.len())
            .map(|i| whole * self.signal(i, f_hz))
            .collect()
    }

    fn pressure(&self, f_hz: f64, signals: &[Complex64], seen: Seen) -> Complex64 {
        let wave_number = 2.0 * PI * f_hz / SPEED_OF_SOUND_M_PER_S;
        let mut sum = Complex64::default();
        for (driver, signal) in self.drivers.iter().zip(signals) {
            let beam = driver.beam.amplitude(seen, wave_number * driver.radius_m);
            sum += signal * beam * turned(wave_number * driver.up_m * seen.up);
        }
        let ratio = (f_hz / self.shadow_hz).powi(2);
        let mut level_db =
            -self.shadow_db * (0.5 * (1.0 - seen.front)).powi(2) * ratio / (1.0 + ratio);
        level_db += self
            .swings
            .iter()
            .map(|s| s.level_db(f_hz, seen))
            .sum::<f64>();
        let mut copies = Complex64::from(1.0);
        for (strength, detour) in &self.echoes {
            copies += turned(-wave_number * detour.metres(seen)) * *strength;
        }
        for defect in &self.defects {
            match &defect.fault {
                Fault::Copy {
                    strength,
                    turn_rad,
                    band,
                    detour,
                    back_share,
                } => {
                    let turn_rad = turn_rad - wave_number * detour.metres(seen);
                    let strength = strength * towards_back(seen, *back_share);
                    copies += band.response(f_hz) * strength * turned(turn_rad);
                }
                Fault::Ring {
                    radius_m,
                    strength,
                    from_hz,
                } => {
                    let size = wave_number * radius_m;
                    let round = libm::j0(size * seen.off_rad.min(PI / 2.0).sin());
                    let band = Band::Above { f_hz: *from_hz }.response(f_hz).norm();
                    copies -= turned(-size) * (strength * round * band);
                }
                fault => {
                    let (factor, more_db) = acting_alone(fault, f_hz, seen);
                    sum *= factor;
                    level_db += more_db;
                }
            }
        }
        sum * copies * 10f64.powf(level_db / 20.0)
    }
}

/// What a fault that is no copy does in one direction: a factor and a level in dB.
fn acting_alone(fault: &Fault, f_hz: f64, seen: Seen) -> (Complex64, f64) {
    let one = Complex64::from(1.0);
    match *fault {
        Fault::Mode {
            f_hz: center_hz,
            gain_db,
            q,
            by_front,
            by_side,
        } => {
            // On axis a peaking filter; its added part is scaled by direction.
            let filter = Filter::Peaking {
                f_hz: center_hz,
                gain_db,
                q,
            };
            let scale = 1.0 - by_front * (1.0 - seen.front) + by_side * (seen.side + seen.up);
            (one + (filter.response(f_hz) - one) * scale, 0.0)
        }
        Fault::Notch {
            f_hz: center_hz,
            q,
            depth,
            moves_oct,
            back_share,
        } => {
            let aside = moves_oct[0] * seen.side.abs() + moves_oct[1] * seen.up;
            let center_hz = center_hz * aside.exp2();
            let depth = depth * towards_back(seen, back_share);
            (one - band_pass(f_hz, center_hz, q) * depth, 0.0)
        }
        Fault::Swing(swing) => (one, swing.level_db(f_hz, seen)),
        Fault::Ripple {
            period,
            by_octave,
            size_db,
            turn_rad,
            from_hz,
            within_rad,
        } => {
            let on = 1.0 / (1.0 + (from_hz / f_hz).powi(4));
            let beside = (-(seen.off_rad / within_rad).powi(2)).exp();
            let along = if by_octave { f_hz.log2() } else { f_hz };
            let wave = (2.0 * PI * along / period + turn_rad).cos();
            (one, size_db * wave * on * beside)
        }
        Fault::Tilt {
            f_hz: pivot_hz,
            db_per_oct,
        } => {
            let octaves = (f_hz / pivot_hz).log2().clamp(-3.0, 3.0);
            (one, db_per_oct * octaves)
        }
        Fault::Filter(_) | Fault::Copy { .. } | Fault::Late { .. } | Fault::Ring { .. } => {
            (one, 0.0)
        }
    }
}

fn draw_detour(chance: &mut Chance, on_axis_m: f64) -> Detour {
    let reach_m = on_axis_m.clamp(0.03, 0.6);
    Detour {
        on_axis_m,
        per_front_m: reach_m * chance.between(-1.2, 1.0),
        per_side_m: match chance.happens(0.5) {
            true => reach_m * chance.between(-1.0, 1.0),
            false => 0.0,
        },
        per_up_m: reach_m * chance.between(-1.5, 1.5),
    }
}

fn draw_design(chance: &mut Chance) -> SketchSpeaker {
    let mut crossovers = Vec::new();
    if chance.happens(0.4) {
        crossovers.push(chance.log_between(200.0, 900.0));
    }
    crossovers.push(chance.log_between(1200.0, 4500.0));
    let crossovers: Vec<Crossover> = crossovers
        .into_iter()
        .map(|f_hz| Crossover {
            f_hz,
            slope: match chance.happens(0.6) {
                true => Slope::FourthOrder,
                false => Slope::SecondOrder,
            },
        })
        .collect();
    let beam = [Beam::Piston, Beam::Bell, Beam::Power][chance.below(3)];
    let radii_m = [(0.009, 0.016), (0.03, 0.08), (0.06, 0.15)];
    let gap_m = chance.between(0.06, 0.22);
    let mut up_m = gap_m * chance.between(0.0, 0.7);
    let mut drivers = Vec::new();
    // From the highest down; none is asked to play far beyond where it begins to beam.
    let up_to_hz = [LARGEST_TO_HZ]
        .into_iter()
        .chain(crossovers.iter().rev().map(|c| c.f_hz));
    for (i, ((low_m, high_m), up_to_hz)) in radii_m.iter().zip(up_to_hz).enumerate() {
        let largest_m =
            chance.between(1.5, LARGEST_SIZE) * SPEED_OF_SOUND_M_PER_S / (2.0 * PI * up_to_hz);
        drivers.push(Driver {
            beam,
            radius_m: chance.log_between(*low_m, *high_m).min(largest_m),
            up_m,
            level_db: 0.3 * chance.normal(),
        });
        up_m -= match i {
            0 => gap_m,
            _ => chance.between(0.12, 0.3),
        };
    }
    drivers.reverse();
    let box_hz = chance.log_between(28.0, 90.0);
    let tuning = match chance.happens(0.5) {
        true => BoxTuning::Sealed {
            f_hz: 1.2 * box_hz,
            q: chance.between(0.6, 1.0),
        },
        false => BoxTuning::Vented {
            f_hz: box_hz,
            q: [chance.between(0.5, 0.65), chance.between(0.9, 1.4)],
        },
    };
    let bumps = if chance.happens(0.5) { 5 } else { 0 };
    let ripple = (0..bumps)
        .map(|_| Filter::Peaking {
            f_hz: chance.log_between(120.0, 14_000.0),
            gain_db: 0.5 * chance.normal(),
            q: chance.log_between(0.7, 4.0),
        })
        .collect();
    let echo_count = if chance.happens(0.5) {
        chance.below(7)
    } else {
        0
    };
    let echoes = (0..echo_count)
        .map(|_| {
            let detour_m = chance.log_between(0.03, 0.6);
            (
                chance.sign() * chance.between(0.01, 0.06),
                draw_detour(chance, detour_m),
            )
        })
        .collect();
    let swing_count = if chance.happens(0.5) {
        chance.below(4)
    } else {
        0
    };
    let swings = (0..swing_count)
        .map(|_| {
            let f_hz = chance.log_between(300.0, 10_000.0);
            Swing::draw(chance, f_hz, (0.5, 7.0))
        })
        .collect();
    SketchSpeaker {
        drivers,
        crossovers,
        tuning,
        ripple,
        echoes,
        swings,
        top_hz: chance.log_between(18_000.0, 60_000.0),
        shadow_db: chance.between(4.0, 16.0),
        shadow_hz: chance.log_between(300.0, 900.0),
        defects: Vec::new(),
    }
}

impl Drawn for SketchSpeaker {
    fn with_defect(&self, kind: DefectKind, chance: &mut Chance) -> Option<(Self, f64)> {
        let (f_hz, fault) = draw_fault(chance, self, kind)?;
        let mut with = self.clone();
        with.defects.push(Defect { kind, f_hz, fault });
        (250.0..=9000.0).contains(&f_hz).then_some((with, f_hz))
    }
}

fn draw_fault(
    chance: &mut Chance,
    speaker: &SketchSpeaker,
    kind: DefectKind,
) -> Option<(f64, Fault)> {
    let f_hz = chance.log_between(250.0, 9000.0);
    let top = speaker.drivers.len() - 1;
    Some(match kind {
        DefectKind::Resonance => {
            let (gain_db, q) = (chance.between(1.5, 8.0), chance.log_between(1.5, 15.0));
            let fault = match chance.happens(0.4) {
                true => Fault::Mode {
                    f_hz,
                    gain_db,
                    q,
                    by_front: chance.between(-0.1, 0.2),
                    by_side: chance.between(-0.15, 0.15),
                },
                false => Fault::Filter(Filter::Peaking { f_hz, gain_db, q }),
            };
            (f_hz, fault)
        }
        DefectKind::Balance => {
            let gain_db = chance.sign() * chance.between(1.5, 5.0);
            let shelf_q = chance.between(0.4, 0.8);
            if chance.happens(0.2) {
                let fault = Fault::Tilt {
                    f_hz,
                    db_per_oct: gain_db / 4.0,
                };
                return Some((f_hz, fault));
            }
            let filter = match chance.below(3) {
                0 => Filter::LowShelf {
                    f_hz,
                    gain_db,
                    q: shelf_q,
                },
                1 => Filter::HighShelf {
                    f_hz,
                    gain_db,
                    q: shelf_q,
                },
                _ => Filter::Peaking {
                    f_hz,
                    gain_db,
                    q: chance.between(0.3, 0.8),
                },
            };
            (f_hz, Fault::Filter(filter))
        }
        DefectKind::ShallowDip => {
            let filter = Filter::Peaking {
                f_hz,
                gain_db: -chance.between(1.5, 4.0),
                q: chance.log_between(0.7, 2.5),
            };
            (f_hz, Fault::Filter(filter))
        }
        DefectKind::Cancellation => {
            let f_hz = chance.log_between(250.0, 1400.0);
            (f_hz, draw_cancellation(chance, f_hz))
        }
        DefectKind::CrossoverPhase => {
            let index = chance.below(speaker.crossovers.len());
            let f_hz = speaker.crossovers[index].f_hz;
            let (periods, turn_rad) = match chance.below(3) {
                0 => (chance.between(-0.15, 0.15), PI),
                1 => (chance.sign() * chance.between(0.25, 0.5), 0.0),
                _ => (0.0, chance.sign() * chance.between(1.2, PI)),
            };
            let fault = Fault::Late {
                driver: if index + 1 == top { top } else { index },
                delay_s: periods / f_hz,
                turn_rad,
            };
            (f_hz, fault)
        }
        DefectKind::DirectivityStep => {
            let f_hz = match chance.happens(0.7) {
                true => speaker.crossovers[top - 1].f_hz * chance.between(0.6, 1.2),
                false => chance.log_between(600.0, 6000.0),
            };
            let fault = Fault::Swing(Swing::draw(chance, f_hz, (4.0, 20.0)));
            (f_hz, fault)
        }
        DefectKind::SingleAxisRipple => match chance.happens(0.5) {
            true => {
                let radius_m = chance.log_between(0.05, 0.25);
                let fault = Fault::Ring {
                    radius_m,
                    strength: chance.between(0.15, 0.7),
                    from_hz: chance.log_between(500.0, 3000.0),
                };
                (SPEED_OF_SOUND_M_PER_S / radius_m, fault)
            }
            false => {
                let by_octave = chance.happens(0.5);
                let crests = match by_octave {
                    true => 1.0,
                    false => f_hz.max(1000.0),
                };
                let fault = Fault::Ripple {
                    period: crests * chance.between(0.25, 0.8),
                    by_octave,
                    size_db: chance.between(1.2, 4.0),
                    turn_rad: chance.between(-PI, PI),
                    from_hz: f_hz.max(1000.0),
                    within_rad: chance.between(0.08, 0.2),
                };
                (f_hz.max(1000.0) * 1.4, fault)
            }
        },
        DefectKind::DeepNull => {
            let f_hz = chance.log_between(350.0, 8500.0);
            let waves = 0.5 + chance.below(3) as f64;
            let on_axis_m = SPEED_OF_SOUND_M_PER_S / f_hz * waves;
            if on_axis_m > 1.5 {
                return None;
            }
            let band = match chance.below(5) {
                0 => Band::All,
                1 => Band::Above { f_hz: 0.5 * f_hz },
                _ => Band::Around {
                    f_hz,
                    q: chance.log_between(1.0, 6.0),
                },
            };
            let fault = Fault::Copy {
                strength: chance.between(0.5, 0.97),
                // So that the null lies at its frequency whatever the band's own phase there.
                turn_rad: -band.response(f_hz).arg(),
                band,
                detour: draw_detour(chance, on_axis_m),
                back_share: chance.between(0.2, 1.0),
            };
            (f_hz, fault)
        }
    })
}

fn draw_cancellation(chance: &mut Chance, f_hz: f64) -> Fault {
    if chance.happens(0.4) {
        return Fault::Notch {
            f_hz,
            q: chance.log_between(1.5, 6.0),
            depth: chance.between(0.35, 0.95),
            moves_oct: [chance.between(-0.6, 0.6), chance.between(-0.8, 0.8)],
            back_share: chance.between(-1.2, 0.4),
        };
    }
    let on_axis_m = chance.between(0.0, 0.5);
    let on_axis_rad = 2.0 * PI * f_hz / SPEED_OF_SOUND_M_PER_S * on_axis_m;
    Fault::Copy {
        strength: chance.between(0.35, 0.95),
        turn_rad: PI + chance.between(-0.6, 0.6) + on_axis_rad,
        band: Band::Around {
            f_hz,
            q: chance.log_between(1.5, 8.0),
        },
        detour: Detour {
            on_axis_m,
            // Beside the front a port's sound arrives earlier than it does on the axis.
            per_front_m: -on_axis_m * chance.between(0.5, 1.5),
            per_side_m: match chance.happens(0.3) {
                true => chance.between(-0.15, 0.15),
                false => 0.0,
            },
            per_up_m: chance.between(-0.4, 0.4),
        },
        back_share: chance.between(0.7, 2.5),
    }
}

impl Simulated for SketchSpeaker {
    fn defects_known(&self) -> Vec<(DefectKind, f64)> {
        self.defects.iter().map(|d| (d.kind, d.f_hz)).collect()
    }

    fn without(&self, defect_index: usize) -> SketchSpeaker {
        let mut speaker = self.clone();
        if defect_index < speaker.defects.len() {
            speaker.defects.remove(defect_index);
        }
        speaker
    }

    fn healthy(&self) -> SketchSpeaker {
        SketchSpeaker {
            defects: Vec::new(),
            ..self.clone()
        }
    }

    fn response(&self, grid: &Grid, directions: &[Direction]) -> Result<Response> {
        let signals: Vec<(f64, Vec<Complex64>)> = grid
            .freqs_hz()
            .iter()
            .map(|f| (*f, self.signals(*f)))
            .collect();
        let mut members: Vec<Member> = Vec::with_capacity(directions.len());
        for direction in directions {
            if members.iter().any(|m| m.direction == *direction) {
                continue;
            }
            let seen = Seen::from(*direction);
            let level_db = |(f_hz, signals): &(f64, Vec<Complex64>)| {
                let amplitude = self.pressure(*f_hz, signals, seen).norm();
                LEVEL_DB + amplitude_to_db(amplitude.max(f64::MIN_POSITIVE))
            };
            members.push(Member {
                direction: *direction,
                levels_db: signals.iter().map(level_db).collect(),
                phase_deg: None,
                mirrored: false,
            });
        }
        Response::new(grid.clone(), members)
            .ok_or_else(|| Error::call("a simulated response needs a direction"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_speaker_and_taking_all_defects_out_the_healthy_one() {
        let speaker = SketchSpeaker::draw(7);
        assert_eq!(speaker, SketchSpeaker::draw(7));
        let mut stripped = speaker.clone();
        while !stripped.defects_known().is_empty() {
            stripped = stripped.without(0);
        }
        assert_eq!(stripped, speaker.healthy());
    }

    #[test]
    fn a_piston_beams_as_the_handbook_says() {
        // Half power at x = ka sin(theta) = 1.616 (Kinsler et al., Fundamentals of Acoustics,
        // chapter 7: 2 J1(x)/x = 0.707; value from memory).
        let off_rad = 0.5f64;
        let seen = Seen {
            off_rad,
            front: off_rad.cos(),
            side: off_rad.sin(),
            up: 0.0,
        };
        let amplitude = Beam::Piston.amplitude(seen, 1.616 / off_rad.sin());
        assert!(
            (amplitude - std::f64::consts::FRAC_1_SQRT_2).abs() < 2e-3,
            "{amplitude}"
        );
    }

    #[test]
    fn an_inverted_copy_of_half_the_strength_takes_half() {
        // Closed form: 1 - s where the detour is half a wave.
        let f_hz = 1000.0;
        let mut speaker = SketchSpeaker::draw(1).healthy();
        speaker.echoes.clear();
        let front = Seen::from(Direction::new(Orbit::Horizontal, 0.0));
        let clean = speaker.pressure(f_hz, &speaker.signals(f_hz), front);
        speaker.defects.push(Defect {
            kind: DefectKind::DeepNull,
            f_hz,
            fault: Fault::Copy {
                strength: 0.5,
                turn_rad: 0.0,
                band: Band::All,
                detour: Detour {
                    on_axis_m: 0.5 * SPEED_OF_SOUND_M_PER_S / f_hz,
                    per_front_m: 0.3,
                    per_side_m: 0.1,
                    per_up_m: 0.2,
                },
                back_share: 0.5,
            },
        });
        let heard = speaker.pressure(f_hz, &speaker.signals(f_hz), front);
        assert!((heard / clean - Complex64::from(0.5)).norm() < 1e-12);
    }
}
