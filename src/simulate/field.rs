//! A second, simpler physics: points in a free field with smooth directivities of their own.
//!
//! Nothing is shared with the pistons on a sphere but crossovers, box and the numbers a defect
//! is drawn from, so that neither the audit's weights nor its trial lean on one idea of what a
//! loudspeaker is. Ranges are our own choice, wider than what makers build.

use super::analog::{BoxTuning, Crossover, Filter, Slope, band_pass};
use super::cap::SPEED_OF_SOUND_M_PER_S;
use super::chance::Chance;
use super::defect::{DefectKind, Place};
use super::known::Simulated;
use super::population::{Drawn, with_defects};
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Orbit, Response};
use crate::units::amplitude_to_db;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Metres to the front, to the side (positive horizontal) and up.
type Metres = [f64; 3];

/// Level of the pass band, dB; any would do.
const LEVEL_DB: f64 = 85.0;

/// Where the box begins to throw a shadow to the back, Hz: the wavelength is about half a metre.
const SHADOW_HZ: f64 = 600.0;

/// How the sound of a driver thins out off its axis.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Beam {
    /// Where it begins, Hz.
    from_hz: f64,
    /// Loss straight to the back for each octave above, dB.
    back_db_per_oct: f64,
    /// 1 spreads the loss as the cosine of the angle does; less takes more off near the axis.
    shape: f64,
}

impl Beam {
    fn level_db(&self, front: f64, f_hz: f64) -> f64 {
        let octaves = 0.5 * (1.0 + (f_hz / self.from_hz).powi(2)).log2();
        -self.back_db_per_oct * (0.5 * (1.0 - front)).powf(self.shape) * octaves
    }
}

#[derive(Debug, Clone, PartialEq)]
struct Point {
    place_m: Metres,
    beam: Beam,
    level_db: f64,
}

#[derive(Debug, Clone, PartialEq)]
enum Fault {
    Filter(Filter, Place),
    /// A second opening that radiates a band of a driver's signal.
    Leak {
        driver: usize,
        place_m: Metres,
        strength: f64,
        phase_rad: f64,
        f_hz: f64,
        q: f64,
        /// How fast the box hides it from the other side.
        shade: f64,
    },
    Late {
        driver: usize,
        delay_s: f64,
        inverted: bool,
    },
    /// A driver that beams more than the design says, flat on axis as before.
    Narrow {
        driver: usize,
        beam: Beam,
    },
    /// Edges round a driver at one distance, in the plane of the front.
    Edge {
        driver: usize,
        distance_m: f64,
        strength: f64,
        shares: Vec<f64>,
    },
    /// An object close by.
    Mirror {
        place_m: Metres,
        strength: f64,
        f_hz: f64,
        q: f64,
    },
}

#[derive(Debug, Clone, PartialEq)]
struct Defect {
    kind: DefectKind,
    f_hz: f64,
    fault: Fault,
}

/// A loudspeaker of points in a free field, with known defects.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldSpeaker {
    points: Vec<Point>,
    crossovers: Vec<Crossover>,
    tuning: BoxTuning,
    ripple: Vec<Filter>,
    top_hz: f64,
    /// Loss straight to the back well above [`SHADOW_HZ`], dB.
    shadow_db: f64,
    defects: Vec<Defect>,
}

/// One frequency before it is radiated.
struct Drive {
    f_hz: f64,
    wave_number: f64,
    /// Signal of each point.
    signals: Vec<Complex64>,
    beams: Vec<Beam>,
    /// What acts on everything.
    whole: Complex64,
}

fn dot(a: Metres, b: Metres) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn towards(direction: Direction) -> Metres {
    let angle = direction.angle_deg().to_radians();
    match direction.orbit() {
        Orbit::Horizontal => [angle.cos(), angle.sin(), 0.0],
        Orbit::Vertical => [angle.cos(), 0.0, angle.sin()],
    }
}

impl FieldSpeaker {
    /// What every direction has in common at one frequency.
    fn drive(&self, f_hz: f64) -> Drive {
        let mut whole = 1.0 / Complex64::new(1.0, f_hz / self.top_hz);
        for filter in &self.ripple {
            whole *= filter.response(f_hz);
        }
        let mut beams: Vec<Beam> = self.points.iter().map(|p| p.beam).collect();
        let mut signals: Vec<Complex64> = (0..self.points.len())
            .map(|i| self.healthy_signal(i, f_hz))
            .collect();
        for defect in &self.defects {
            match &defect.fault {
                Fault::Filter(filter, Place::Whole) => whole *= filter.response(f_hz),
                Fault::Filter(filter, Place::Driver(driver)) => {
                    signals[*driver] *= filter.response(f_hz);
                }
                Fault::Late {
                    driver,
                    delay_s,
                    inverted,
                } => {
                    let polarity = if *inverted { -1.0 } else { 1.0 };
                    signals[*driver] *= Complex64::from_polar(polarity, -2.0 * PI * f_hz * delay_s);
                }
                Fault::Narrow { driver, beam } => beams[*driver] = *beam,
                Fault::Leak { .. } | Fault::Edge { .. } | Fault::Mirror { .. } => {}
            }
        }
        Drive {
            f_hz,
            wave_number: 2.0 * PI * f_hz / SPEED_OF_SOUND_M_PER_S,
            signals,
            beams,
            whole,
        }
    }

    fn healthy_signal(&self, driver: usize, f_hz: f64) -> Complex64 {
        let mut signal = Complex64::from(10f64.powf(self.points[driver].level_db / 20.0));
        for (j, crossover) in self.crossovers.iter().enumerate() {
            let (low, high) = crossover.parts(f_hz);
            signal *= if driver == j {
                low
            } else if driver == j + 1 {
                high
            } else {
                low + high
            };
        }
        if driver == 0 {
            signal *= self.tuning.response(f_hz);
        }
        signal
    }

    /// Pressure in the direction `u`, of length one.
    fn pressure(&self, drive: &Drive, u: Metres) -> Complex64 {
        let (f_hz, wave_number) = (drive.f_hz, drive.wave_number);
        let turned = |turn_rad: f64| Complex64::from_polar(1.0, turn_rad);
        let mut sum = Complex64::default();
        for ((point, signal), beam) in self.points.iter().zip(&drive.signals).zip(&drive.beams) {
            let turn = wave_number * dot(point.place_m, u);
            sum += signal * self.heard(beam, u[0], f_hz) * turned(turn);
        }
        let mut mirrored = Complex64::from(1.0);
        for defect in &self.defects {
            match &defect.fault {
                Fault::Edge {
                    driver,
                    distance_m,
                    strength,
                    shares,
                } => {
                    let point = &self.points[*driver];
                    // What runs along the front is what is heard at 90 degrees.
                    let along = self.heard(&point.beam, 0.0, f_hz);
                    let each = along * strength / shares.iter().sum::<f64>();
                    for (k, share) in shares.iter().enumerate() {
                        let round = 2.0 * PI * k as f64 / shares.len() as f64;
                        let edge_m = [
                            point.place_m[0],
                            point.place_m[1] + distance_m * round.cos(),
                            point.place_m[2] + distance_m * round.sin(),
                        ];
                        let turn = wave_number * (dot(edge_m, u) - distance_m);
                        sum -= drive.signals[*driver] * (each * share) * turned(turn);
                    }
                }
                Fault::Leak {
                    driver,
                    place_m,
                    strength,
                    phase_rad,
                    f_hz: center_hz,
                    q,
                    shade,
                } => {
                    let away = 0.5 * (1.0 - u[0] * place_m[0].signum());
                    let hidden = (-shade * away * (f_hz / SHADOW_HZ).min(2.0)).exp();
                    sum += drive.signals[*driver]
                        * band_pass(f_hz, *center_hz, *q)
                        * (strength * hidden)
                        * turned(phase_rad + wave_number * dot(*place_m, u));
                }
                Fault::Mirror {
                    place_m,
                    strength,
                    f_hz: center_hz,
                    q,
                } => {
                    let detour_m = dot(*place_m, *place_m).sqrt() - dot(*place_m, u);
                    mirrored += band_pass(f_hz, *center_hz, *q)
                        * *strength
                        * turned(-wave_number * detour_m);
                }
                Fault::Filter(..) | Fault::Late { .. } | Fault::Narrow { .. } => {}
            }
        }
        sum * drive.whole * mirrored
    }

    /// What of a driver's sound arrives at the cosine `front` of the angle off its axis.
    fn heard(&self, beam: &Beam, front: f64, f_hz: f64) -> f64 {
        let ratio = (f_hz / SHADOW_HZ).powi(2);
        let shadow_db = self.shadow_db * (0.5 * (1.0 - front)).powi(2) * ratio / (1.0 + ratio);
        10f64.powf((beam.level_db(front, f_hz) - shadow_db) / 20.0)
    }

    /// A random one with up to five defects between 250 Hz and 9 kHz, each checked to have an
    /// effect of its kind; the same `seed` gives the same speaker.
    pub fn draw(seed: u64) -> FieldSpeaker {
        let mut chance = Chance::new(seed);
        let design = draw_design(&mut chance);
        with_defects(design, &mut chance)
    }
}

impl Drawn for FieldSpeaker {
    fn with_defect(&self, kind: DefectKind, chance: &mut Chance) -> Option<(Self, f64)> {
        let defect = draw_defect(chance, self, kind)?;
        let mut with = self.clone();
        let f_hz = defect.f_hz;
        with.defects.push(defect);
        Some((with, f_hz))
    }
}

fn draw_slope(chance: &mut Chance) -> Slope {
    match chance.happens(0.6) {
        true => Slope::FourthOrder,
        false => Slope::SecondOrder,
    }
}

fn draw_design(chance: &mut Chance) -> FieldSpeaker {
    let mut crossovers = Vec::new();
    if chance.happens(0.4) {
        crossovers.push(Crossover {
            f_hz: chance.log_between(200.0, 900.0),
            slope: draw_slope(chance),
        });
    }
    crossovers.push(Crossover {
        f_hz: chance.log_between(1200.0, 4500.0),
        slope: draw_slope(chance),
    });
    // From the highest driver down; the axis lies between it and the next one.
    let beams_from_hz = [(2500.0, 6000.0), (700.0, 2200.0), (250.0, 700.0)];
    let gap_m = chance.between(0.07, 0.2);
    let mut up_m = gap_m * chance.between(0.0, 0.6);
    let mut points = Vec::new();
    for (i, (low_hz, high_hz)) in beams_from_hz.iter().take(crossovers.len() + 1).enumerate() {
        let aside_m = match i == 0 && chance.happens(0.3) {
            true => chance.between(-0.05, 0.05),
            false => 0.0,
        };
        points.push(Point {
            place_m: [0.0, aside_m, up_m],
            beam: Beam {
                from_hz: chance.log_between(*low_hz, *high_hz),
                back_db_per_oct: chance.between(6.0, 12.0),
                shape: chance.between(0.7, 1.2),
            },
            level_db: 0.3 * chance.normal(),
        });
        up_m -= if i == 0 {
            gap_m
        } else {
            chance.between(0.12, 0.3)
        };
    }
    points.reverse();
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
    // Half of them are as flat as a design on paper.
    let bumps = if chance.happens(0.5) { 4 } else { 0 };
    let ripple = (0..bumps)
        .map(|_| Filter::Peaking {
            f_hz: chance.log_between(120.0, 14_000.0),
            gain_db: 0.5 * chance.normal(),
            q: chance.log_between(0.7, 3.0),
        })
        .collect();
    FieldSpeaker {
        points,
        crossovers,
        tuning,
        ripple,
        top_hz: chance.log_between(18_000.0, 60_000.0),
        shadow_db: chance.between(4.0, 14.0),
        defects: Vec::new(),
    }
}

/// A defect of `kind`, not yet checked; `None` when the numbers drawn make none.
fn draw_defect(chance: &mut Chance, speaker: &FieldSpeaker, kind: DefectKind) -> Option<Defect> {
    let driver_at = |f_hz: f64| speaker.crossovers.iter().filter(|c| c.f_hz < f_hz).count();
    let any_hz = chance.log_between(250.0, 9000.0);
    let top = speaker.points.len() - 1;
    let (f_hz, fault) = match kind {
        DefectKind::Resonance => {
            let place = match chance.happens(0.4) {
                true => Place::Driver(driver_at(any_hz)),
                false => Place::Whole,
            };
            let filter = Filter::Peaking {
                f_hz: any_hz,
                gain_db: chance.between(1.5, 8.0),
                q: chance.log_between(1.5, 15.0),
            };
            (any_hz, Fault::Filter(filter, place))
        }
        DefectKind::Balance => {
            let gain_db = chance.sign() * chance.between(1.5, 5.0);
            let (f_hz, shelf_q) = (any_hz, chance.between(0.4, 0.8));
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
            (f_hz, Fault::Filter(filter, Place::Whole))
        }
        DefectKind::ShallowDip => {
            let filter = Filter::Peaking {
                f_hz: any_hz,
                gain_db: -chance.between(1.5, 4.0),
                q: chance.log_between(0.7, 2.5),
            };
            (any_hz, Fault::Filter(filter, Place::Whole))
        }
        DefectKind::Cancellation => {
            let f_hz = chance.log_between(250.0, 1250.0);
            let place_m = if chance.happens(0.5) {
                [-chance.between(0.1, 0.45), 0.0, chance.between(-0.3, 0.1)]
            } else {
                let aside_m = match chance.happens(0.3) {
                    true => chance.between(-0.15, 0.15),
                    false => 0.0,
                };
                [0.0, aside_m, -chance.between(0.1, 0.5)]
            };
            let on_axis_rad = 2.0 * PI * f_hz / SPEED_OF_SOUND_M_PER_S * place_m[0];
            let fault = Fault::Leak {
                driver: driver_at(f_hz),
                place_m,
                strength: chance.between(0.35, 0.95),
                phase_rad: PI + chance.between(-0.7, 0.7) - on_axis_rad,
                f_hz,
                q: chance.log_between(1.5, 8.0),
                shade: chance.between(0.0, 1.5),
            };
            (f_hz, fault)
        }
        DefectKind::CrossoverPhase => {
            let index = chance.below(speaker.crossovers.len());
            let f_hz = speaker.crossovers[index].f_hz;
            let inverted = chance.happens(0.3);
            let periods = match inverted {
                true => chance.between(-0.15, 0.15),
                false => chance.sign() * chance.between(0.25, 0.5),
            };
            let driver = if index + 1 == top { top } else { index };
            let delay_s = periods / f_hz;
            (
                f_hz,
                Fault::Late {
                    driver,
                    delay_s,
                    inverted,
                },
            )
        }
        DefectKind::DirectivityStep => {
            let driver = top - 1;
            let beam = Beam {
                from_hz: speaker.points[driver].beam.from_hz * chance.between(0.35, 0.7),
                back_db_per_oct: chance.between(10.0, 20.0),
                ..speaker.points[driver].beam
            };
            (
                speaker.crossovers[top - 1].f_hz,
                Fault::Narrow { driver, beam },
            )
        }
        DefectKind::SingleAxisRipple => {
            let distance_m = chance.log_between(0.04, 0.2);
            let fault = Fault::Edge {
                driver: if chance.happens(0.7) { top } else { top - 1 },
                distance_m,
                strength: chance.between(0.2, 0.8),
                shares: (0..16).map(|_| chance.between(0.3, 1.0)).collect(),
            };
            (SPEED_OF_SOUND_M_PER_S / distance_m, fault)
        }
        DefectKind::DeepNull => {
            let f_hz = chance.log_between(350.0, 8500.0);
            let late_m = SPEED_OF_SOUND_M_PER_S / f_hz * (0.5 + chance.below(3) as f64);
            let (off, round) = (chance.between(0.6, 2.2), chance.between(-PI, PI));
            let distance_m = late_m / (1.0 - off.cos());
            if !(0.04..1.0).contains(&distance_m) {
                return None;
            }
            let place_m = [
                distance_m * off.cos(),
                distance_m * off.sin() * round.cos(),
                distance_m * off.sin() * round.sin(),
            ];
            let fault = Fault::Mirror {
                place_m,
                strength: chance.between(0.5, 0.97),
                f_hz,
                q: chance.log_between(1.0, 6.0),
            };
            (f_hz, fault)
        }
    };
    (250.0..=9000.0)
        .contains(&f_hz)
        .then_some(Defect { kind, f_hz, fault })
}

impl Simulated for FieldSpeaker {
    fn defects_known(&self) -> Vec<(DefectKind, f64)> {
        self.defects.iter().map(|d| (d.kind, d.f_hz)).collect()
    }

    fn without(&self, defect_index: usize) -> FieldSpeaker {
        let mut speaker = self.clone();
        if defect_index < speaker.defects.len() {
            speaker.defects.remove(defect_index);
        }
        speaker
    }

    fn healthy(&self) -> FieldSpeaker {
        FieldSpeaker {
            defects: Vec::new(),
            ..self.clone()
        }
    }

    fn response(&self, grid: &Grid, directions: &[Direction]) -> Result<Response> {
        let drives: Vec<Drive> = grid.freqs_hz().iter().map(|f| self.drive(*f)).collect();
        let mut members: Vec<Member> = Vec::with_capacity(directions.len());
        for direction in directions {
            if members.iter().any(|m| m.direction == *direction) {
                continue;
            }
            let u = towards(*direction);
            let level_db = |drive: &Drive| {
                let amplitude = self.pressure(drive, u).norm();
                LEVEL_DB + amplitude_to_db(amplitude.max(f64::MIN_POSITIVE))
            };
            members.push(Member {
                direction: *direction,
                levels_db: drives.iter().map(level_db).collect(),
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
        let speaker = FieldSpeaker::draw(7);
        assert_eq!(speaker, FieldSpeaker::draw(7));
        let mut stripped = speaker.clone();
        while !stripped.defects_known().is_empty() {
            stripped = stripped.without(0);
        }
        assert_eq!(stripped, speaker.healthy());
    }

    #[test]
    fn a_mirror_half_a_wave_farther_takes_away_what_it_throws_back() {
        // Closed form: 1 - s at the frequency at which the detour is half a wave.
        let mut speaker = FieldSpeaker::draw(1).healthy();
        let f_hz = 1000.0;
        let place_m = [0.0, 0.5 * SPEED_OF_SOUND_M_PER_S / f_hz, 0.0];
        let front = [1.0, 0.0, 0.0];
        let clean = speaker.pressure(&speaker.drive(f_hz), front);
        speaker.defects.push(Defect {
            kind: DefectKind::DeepNull,
            f_hz,
            fault: Fault::Mirror {
                place_m,
                strength: 0.8,
                f_hz,
                q: 2.0,
            },
        });
        let heard = speaker.pressure(&speaker.drive(f_hz), front);
        assert!((heard / clean - Complex64::from(0.2)).norm() < 1e-12);
    }
}
