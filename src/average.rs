//! The averaged curves of ANSI/CTA-2034-A from the responses on two orbits.

use crate::curve::{Curve, Grid};
use crate::response::{Orbit, Response};
use crate::units::{db_to_power, power_to_db};
use std::f64::consts::PI;

/// How the rear wall enters the early reflections; the standard prints both sets of angles.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RearWall {
    /// 180 and +-90 degrees, as in the standard's list of early reflections.
    #[default]
    ThreePoints,
    /// 90 to 180 degrees on both sides in full, as in its list of horizontal reflections.
    FullArc,
}

/// One averaged curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Average {
    /// Level in dB at each frequency of the grid.
    pub levels_db: Vec<f64>,
    /// Share of the directions (by weight) that the definition asks for and the measurement
    /// holds, above 0 and at most 1; mirrored directions count as held.
    pub completeness: f64,
}

/// The curves of CTA-2034-A; a curve with too little behind it is `None`.
#[derive(Debug, Clone, PartialEq)]
pub struct AveragedCurves {
    /// The frequencies.
    pub grid: Grid,
    /// Which reading of the rear wall the early reflections follow.
    pub rear_wall: RearWall,
    /// The reference axis.
    pub on_axis: Option<Average>,
    /// Listening window.
    pub listening_window: Option<Average>,
    /// Early reflections.
    pub early_reflections: Option<Average>,
    /// Sound power.
    pub sound_power: Option<Average>,
    /// Early reflections directivity index: listening window minus early reflections.
    pub early_reflections_di: Option<Average>,
    /// Sound power directivity index: listening window minus sound power.
    pub sound_power_di: Option<Average>,
    /// Predicted in-room response.
    pub in_room: Option<Average>,
}

/// The least share of a definition's directions that still makes a curve of that name. One
/// orbit alone gives 0.5 to 0.6 of reflections and power and is let through (with its
/// completeness beside it); a front half-circle without its back is not. Our own judgement.
pub const LEAST_COMPLETENESS: f64 = 0.4;

/// Weights of listening window, early reflections and sound power in the predicted in-room
/// response, applied to squared pressure. Source: ANSI/CTA-2034-A, estimated in-room response
/// (value from memory; the common reading).
const IN_ROOM_WEIGHTS: [f64; 3] = [0.12, 0.44, 0.44];

type Angles = &'static [(Orbit, f64)];
use Orbit::{Horizontal as H, Vertical as V};

/// Source of the sets below: ANSI/CTA-2034-A (2015); the lists are from memory and agree with
/// every restatement met.
const LISTENING_WINDOW: Angles = &[
    (H, 0.0),
    (H, 10.0),
    (H, -10.0),
    (H, 20.0),
    (H, -20.0),
    (H, 30.0),
    (H, -30.0),
    (V, 10.0),
    (V, -10.0),
];
const FLOOR: Angles = &[(V, -20.0), (V, -30.0), (V, -40.0)];
const CEILING: Angles = &[(V, 40.0), (V, 50.0), (V, 60.0)];
const FRONT_WALL: Angles = &[
    (H, 0.0),
    (H, 10.0),
    (H, -10.0),
    (H, 20.0),
    (H, -20.0),
    (H, 30.0),
    (H, -30.0),
];
const SIDE_WALLS: Angles = &[
    (H, 40.0),
    (H, -40.0),
    (H, 50.0),
    (H, -50.0),
    (H, 60.0),
    (H, -60.0),
    (H, 70.0),
    (H, -70.0),
    (H, 80.0),
    (H, -80.0),
];
const REAR_WALL_THREE: Angles = &[(H, 180.0), (H, 90.0), (H, -90.0)];
const REAR_WALL_ARC: Angles = &[
    (H, 180.0),
    (H, 90.0),
    (H, -90.0),
    (H, 100.0),
    (H, -100.0),
    (H, 110.0),
    (H, -110.0),
    (H, 120.0),
    (H, -120.0),
    (H, 130.0),
    (H, -130.0),
    (H, 140.0),
    (H, -140.0),
    (H, 150.0),
    (H, -150.0),
    (H, 160.0),
    (H, -160.0),
    (H, 170.0),
    (H, -170.0),
];

/// The directions of the listening window.
pub fn listening_window_directions() -> &'static [(Orbit, f64)] {
    LISTENING_WINDOW
}

/// Sound power weight of one measuring point at `off_axis_deg` (a multiple of 10, 0 to 180).
///
/// Square-pyramid areas, not circular zones. Source: ANSI/CTA-2034-A prints them to nine
/// digits (from memory); this closed form reproduces all ten to 1e-9:
/// `w(t) = [asin(sin^2(t+5)) - asin(sin^2(t-5))] / (4 pi)`, the pole `asin(sin^2 5) / (4 pi)`,
/// 90 degrees closing the sum.
pub fn sound_power_weight(off_axis_deg: f64) -> f64 {
    let from_pole_deg = off_axis_deg.min(180.0 - off_axis_deg);
    let pyramid = |half_deg: f64| (half_deg * PI / 180.0).sin().powi(2).asin() / (4.0 * PI);
    if from_pole_deg < 5.0 {
        pyramid(5.0)
    } else if from_pole_deg > 85.0 {
        0.25 - 2.0 * pyramid(85.0)
    } else {
        pyramid(from_pole_deg + 5.0) - pyramid(from_pole_deg - 5.0)
    }
}

/// Members with weights that add up to one, and the share of the definition they stand for.
struct Mix {
    /// Index of a member and its weight on squared pressure.
    parts: Vec<(usize, f64)>,
    completeness: f64,
}

impl Mix {
    fn of(response: &Response, wanted: impl Iterator<Item = (Orbit, f64, f64)>) -> Option<Mix> {
        let mut parts: Vec<(usize, f64)> = Vec::new();
        let mut asked = 0.0;
        for (orbit, angle_deg, weight) in wanted {
            asked += weight;
            if let Some(i) = response.index_of(orbit, angle_deg) {
                parts.push((i, weight));
            }
        }
        let held: f64 = parts.iter().map(|part| part.1).sum();
        if parts.is_empty() {
            return None;
        }
        parts.iter_mut().for_each(|part| part.1 /= held);
        Some(Mix {
            parts,
            completeness: held / asked,
        })
    }

    fn flat(response: &Response, angles: Angles) -> Option<Mix> {
        Mix::of(
            response,
            angles.iter().map(|(orbit, angle)| (*orbit, *angle, 1.0)),
        )
    }

    /// The mean of mixes that each count the same; those that are absent are left out.
    fn mean(mixes: Vec<Option<Mix>>) -> Option<Mix> {
        let asked = mixes.len() as f64;
        let present: Vec<Mix> = mixes.into_iter().flatten().collect();
        if present.is_empty() {
            return None;
        }
        let share = 1.0 / present.len() as f64;
        let completeness = present.iter().map(|mix| mix.completeness).sum::<f64>() / asked;
        let parts = present
            .into_iter()
            .flat_map(|mix| mix.parts)
            .map(|(i, weight)| (i, weight * share))
            .collect();
        Some(Mix {
            parts,
            completeness,
        })
    }

    fn powers(&self, response: &Response) -> Vec<f64> {
        let mut sums = vec![0.0; response.grid().len()];
        for (i, weight) in &self.parts {
            for (sum, level) in sums.iter_mut().zip(&response.members()[*i].levels_db) {
                *sum += weight * db_to_power(*level);
            }
        }
        sums
    }

    fn average(&self, response: &Response) -> Average {
        Average {
            levels_db: self.powers(response).into_iter().map(power_to_db).collect(),
            completeness: self.completeness,
        }
    }

    fn enough(self) -> Option<Mix> {
        (self.completeness >= LEAST_COMPLETENESS).then_some(self)
    }
}

fn listening_window_mix(response: &Response) -> Option<Mix> {
    Mix::flat(response, LISTENING_WINDOW)?.enough()
}

fn early_reflections_mix(response: &Response, rear_wall: RearWall) -> Option<Mix> {
    let rear = match rear_wall {
        RearWall::ThreePoints => REAR_WALL_THREE,
        RearWall::FullArc => REAR_WALL_ARC,
    };
    let zones = [FLOOR, CEILING, FRONT_WALL, SIDE_WALLS, rear]
        .into_iter()
        .map(|zone| Mix::flat(response, zone))
        .collect();
    Mix::mean(zones)?.enough()
}

fn sound_power_mix(response: &Response) -> Option<Mix> {
    let poles = [0.0, 180.0].map(|angle| (H, angle, sound_power_weight(angle)));
    let ring = (1..18).flat_map(|i| {
        let angle = 10.0 * f64::from(i);
        let weight = sound_power_weight(angle);
        [(H, angle), (H, -angle), (V, angle), (V, -angle)].map(|(o, a)| (o, a, weight))
    });
    Mix::of(response, poles.into_iter().chain(ring))?.enough()
}

impl AveragedCurves {
    /// All curves that `response` supports, on its own grid. Averages are of squared pressure;
    /// sound power is divided by the sum of the weights used; a missing direction is left out
    /// and the remaining weights renormalised.
    ///
    /// Source: ANSI/CTA-2034-A (2015); early reflections as the mean of the five zone means.
    pub fn from_response(response: &Response, rear_wall: RearWall) -> Self {
        let on_axis = response.at(H, 0.0).map(|member| Average {
            levels_db: member.levels_db.clone(),
            completeness: 1.0,
        });
        let average = |mix: Option<Mix>| mix.map(|mix| mix.average(response));
        let mut curves = AveragedCurves {
            grid: response.grid().clone(),
            rear_wall,
            on_axis,
            listening_window: average(listening_window_mix(response)),
            early_reflections: average(early_reflections_mix(response, rear_wall)),
            sound_power: average(sound_power_mix(response)),
            early_reflections_di: None,
            sound_power_di: None,
            in_room: None,
        };
        curves.derive_missing();
        curves
    }

    /// The same curves with another sound power, and all that follows from it formed again: the
    /// sound power does not depend on where the listener sits.
    pub fn with_sound_power(mut self, sound_power: Option<Average>) -> Self {
        self.sound_power = sound_power;
        self.sound_power_di = None;
        self.in_room = None;
        self.derive_missing();
        self
    }

    /// Curves that were read ready-made; those that follow from the others are added where they
    /// are missing. Every curve has one level per frequency of `grid`.
    pub fn from_table(grid: Grid, named: [Option<Vec<f64>>; 7]) -> Self {
        let [
            on_axis,
            listening_window,
            early_reflections,
            sound_power,
            early_reflections_di,
            sound_power_di,
            in_room,
        ] = named.map(|levels| {
            levels.map(|levels_db| {
                assert_eq!(levels_db.len(), grid.len(), "one level per frequency");
                Average {
                    levels_db,
                    completeness: 1.0,
                }
            })
        });
        let mut curves = AveragedCurves {
            grid,
            rear_wall: RearWall::default(),
            on_axis,
            listening_window,
            early_reflections,
            sound_power,
            early_reflections_di,
            sound_power_di,
            in_room,
        };
        curves.derive_missing();
        curves
    }

    fn derive_missing(&mut self) {
        let minus = |a: &Option<Average>, b: &Option<Average>| {
            let (a, b) = (a.as_ref()?, b.as_ref()?);
            Some(Average {
                levels_db: a
                    .levels_db
                    .iter()
                    .zip(&b.levels_db)
                    .map(|(a, b)| a - b)
                    .collect(),
                completeness: a.completeness.min(b.completeness),
            })
        };
        if self.early_reflections_di.is_none() {
            self.early_reflections_di = minus(&self.listening_window, &self.early_reflections);
        }
        if self.sound_power_di.is_none() {
            self.sound_power_di = minus(&self.listening_window, &self.sound_power);
        }
        if self.in_room.is_none()
            && let (Some(lw), Some(er), Some(sp)) = (
                &self.listening_window,
                &self.early_reflections,
                &self.sound_power,
            )
        {
            let [w_lw, w_er, w_sp] = IN_ROOM_WEIGHTS;
            let levels_db = (0..self.grid.len())
                .map(|i| {
                    power_to_db(
                        w_lw * db_to_power(lw.levels_db[i])
                            + w_er * db_to_power(er.levels_db[i])
                            + w_sp * db_to_power(sp.levels_db[i]),
                    )
                })
                .collect();
            self.in_room = Some(Average {
                levels_db,
                completeness: w_lw * lw.completeness
                    + w_er * er.completeness
                    + w_sp * sp.completeness,
            });
        }
    }

    /// Column names and curves, in the order of every table: level in dB and completeness.
    pub fn named(&self) -> [(&'static str, Option<&Average>); 7] {
        [
            ("on_axis", self.on_axis.as_ref()),
            ("listening_window", self.listening_window.as_ref()),
            ("early_reflections", self.early_reflections.as_ref()),
            ("sound_power", self.sound_power.as_ref()),
            ("early_reflections_di", self.early_reflections_di.as_ref()),
            ("sound_power_di", self.sound_power_di.as_ref()),
            ("in_room", self.in_room.as_ref()),
        ]
    }

    /// One of these averages as a curve.
    pub fn curve(&self, average: &Average) -> Curve {
        Curve::new(self.grid.clone(), average.levels_db.clone())
    }

    /// The same curves with `gains_db`, one per frequency, added; the directivity indices stay.
    pub fn with_gain(&self, gains_db: &[f64]) -> Self {
        let lifted = |curve: &Option<Average>| {
            curve.as_ref().map(|curve| Average {
                levels_db: curve
                    .levels_db
                    .iter()
                    .zip(gains_db)
                    .map(|(l, g)| l + g)
                    .collect(),
                completeness: curve.completeness,
            })
        };
        AveragedCurves {
            on_axis: lifted(&self.on_axis),
            listening_window: lifted(&self.listening_window),
            early_reflections: lifted(&self.early_reflections),
            sound_power: lifted(&self.sound_power),
            in_room: lifted(&self.in_room),
            ..self.clone()
        }
    }
}

/// Share of each member of `response` in the squared pressure of the in-room response, were all
/// members equally loud; the shares add up to one. What of listening window, reflections and
/// power is absent is left out. All zero when none of the three is there.
pub fn in_room_shares(response: &Response, rear_wall: RearWall) -> Vec<f64> {
    let mixes = [
        listening_window_mix(response),
        early_reflections_mix(response, rear_wall),
        sound_power_mix(response),
    ];
    let mut shares = vec![0.0; response.members().len()];
    for (mix, weight) in mixes.iter().zip(IN_ROOM_WEIGHTS) {
        for (i, part) in mix.iter().flat_map(|mix| &mix.parts) {
            shares[*i] += weight * part;
        }
    }
    let sum: f64 = shares.iter().sum();
    if sum > 0.0 {
        shares.iter_mut().for_each(|share| *share /= sum);
    }
    shares
}
