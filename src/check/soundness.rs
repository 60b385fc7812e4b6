//! Is a list sound in itself: do its numbers do what its parameters say, is it stable, is there
//! enough level in front, and what does its number format cost?

use super::faults::Fault;
use super::grid_noise::{GridNoise, grid_noise};
use super::loopback::{JUDGED_FROM_HZ, JUDGED_TO_HZ};
use crate::curve::Grid;
use crate::device::Number;
use crate::filter::{Bank, Biquad, Stage};
use crate::filter_list::{FilterList, ListedStage};
use std::f64::consts::PI;

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Soundness {
    /// One for each stage, in order.
    pub stages: Vec<StageCheck>,
    /// Level in front, dB.
    pub gain_db: f64,
    /// Largest magnitude of the whole cascade, level in front included, dB.
    pub peak_db: f64,
    /// The number grid, for fixed formats.
    pub grid: Option<GridNoise>,
    /// What makes the list unsound; empty when it is sound.
    pub problems: Vec<Problem>,
    /// What is worth knowing.
    pub notes: Vec<Note>,
}

/// One stage.
#[derive(Debug, Clone, PartialEq)]
pub struct StageCheck {
    /// Its parameters.
    pub stage: Stage,
    /// Largest distance of a pole from the origin; stable below 1.
    pub pole_radius: f64,
    /// Largest difference between its numbers and its parameters, dB, and where, Hz, a constant
    /// level aside; `None` where there are no numbers.
    pub difference: Option<(f64, f64)>,
    /// Constant level by which its numbers are scaled, dB; 0 where they are not.
    pub scaled_db: f64,
    /// Largest magnitude for a sine from the input to the output of this stage, dB re full scale.
    pub node_peak_db: f64,
    /// The same to the delay line that direct form 2 has inside this stage.
    pub inner_peak_db: f64,
}

/// Why a list is not sound.
#[derive(Debug, Clone, PartialEq)]
pub enum Problem {
    /// A pole on or outside the unit circle.
    Unstable {
        /// Stage, from 1.
        stage: usize,
        /// Distance of the pole from the origin.
        radius: f64,
    },
    /// The numbers do something else than the parameters say.
    Disagrees {
        /// Stage, from 1.
        stage: usize,
        /// Largest difference, dB.
        difference_db: f64,
        /// Where it lies, Hz.
        at_hz: f64,
        /// The fault that would make such numbers, where one does.
        like: Option<Fault>,
    },
    /// The cascade goes above full scale in spite of the level in front.
    TooLittleGain {
        /// By how much, dB.
        by_db: f64,
    },
}

/// What is worth knowing about a sound list.
#[derive(Debug, Clone, PartialEq)]
pub enum Note {
    /// A stage's numbers carry a constant level.
    Scaled {
        /// Stage, from 1.
        stage: usize,
        /// The level, dB.
        by_db: f64,
    },
    /// Rounding to the number format moves a stage.
    Rounded {
        /// Stage, from 1.
        stage: usize,
        /// By how much, dB.
        by_db: f64,
        /// Where, Hz.
        at_hz: f64,
    },
    /// A node between two stages goes above full scale.
    NodeAboveFullScale {
        /// The stage before the node, from 1.
        stage: usize,
        /// By how much, dB.
        by_db: f64,
    },
    /// More level is given away in front than the cascade needs.
    GainToSpare {
        /// How much, dB.
        by_db: f64,
    },
}

/// Numbers and parameters agree within this, dB: a tenth of what is heard (1 dB, handbook figure,
/// from memory).
const AGREES_DB: f64 = 0.1;

/// Numbers within so many steps of the exact ones come from rounding: half a step each, and a
/// step more where the planner moved them to make the rounding errors cancel.
const ROUNDED_STEPS: f64 = 2.0;

/// The cascade may exceed full scale by this, dB: gains are listed to 0.1 dB, half of it.
const FULL_SCALE_WITHIN_DB: f64 = 0.05;

/// Level to spare in front is spoken of from here, dB. Our own judgement.
const SPARE_DB: f64 = 1.0;

/// A difference that varies less than this over the band, dB, is a constant level.
const CONSTANT_WITHIN_DB: f64 = 0.02;

/// Points per octave at which numbers and parameters are compared.
const POINTS_PER_OCTAVE: f64 = 24.0;

impl Soundness {
    /// Whether nothing is wrong.
    pub fn is_sound(&self) -> bool {
        self.problems.is_empty()
    }
}

/// Examines a list.
pub fn soundness(list: &FilterList) -> Soundness {
    let bank = list.bank();
    let stages: Vec<StageCheck> = list
        .stages
        .iter()
        .enumerate()
        .map(|(i, listed)| stage_check(list, &bank, listed, i))
        .collect();
    let peak_db = bank.peak_db();
    let mut problems = Vec::new();
    let mut notes = Vec::new();
    for (number, (check, listed)) in (1..).zip(stages.iter().zip(&list.stages)) {
        if check.pole_radius >= 1.0 {
            problems.push(Problem::Unstable {
                stage: number,
                radius: check.pole_radius,
            });
        }
        if check.scaled_db != 0.0 {
            notes.push(Note::Scaled {
                stage: number,
                by_db: check.scaled_db,
            });
        }
        if let (Some((difference_db, at_hz)), Some(numbers)) = (check.difference, listed.biquad)
            && difference_db.abs() > AGREES_DB
        {
            if is_rounding(list, &listed.stage, &numbers) {
                notes.push(Note::Rounded {
                    stage: number,
                    by_db: difference_db,
                    at_hz,
                });
            } else {
                let like = like(list, &listed.stage, &numbers);
                problems.push(Problem::Disagrees {
                    stage: number,
                    difference_db,
                    at_hz,
                    like,
                });
            }
        }
        if check.node_peak_db > FULL_SCALE_WITHIN_DB && number < stages.len() {
            notes.push(Note::NodeAboveFullScale {
                stage: number,
                by_db: check.node_peak_db,
            });
        }
    }
    if peak_db > FULL_SCALE_WITHIN_DB {
        problems.push(Problem::TooLittleGain { by_db: peak_db });
    } else if list.gain_db < 0.0 && peak_db.max(list.gain_db) < -SPARE_DB {
        notes.push(Note::GainToSpare {
            by_db: -peak_db.max(list.gain_db),
        });
    }
    Soundness {
        grid: grid_noise(list.number, &bank.sections, list.rate_hz),
        stages,
        gain_db: list.gain_db,
        peak_db,
        problems,
        notes,
    }
}

fn stage_check(list: &FilterList, bank: &Bank, listed: &ListedStage, index: usize) -> StageCheck {
    let section = bank.sections[index];
    let up_to = |sections: &[Biquad]| {
        Bank {
            sections: sections.to_vec(),
            ..*bank
        }
        .peak_db()
    };
    let mut inner = bank.sections[..index].to_vec();
    inner.push(Biquad {
        b0: 1.0,
        b1: 0.0,
        b2: 0.0,
        ..section
    });
    let mut scaled_db = 0.0;
    let difference = listed.biquad.map(|numbers| {
        let exact = listed.stage.biquad(list.rate_hz);
        let freqs_hz = compared_at(list.rate_hz, listed.stage.f0_hz);
        let mut values_db = differences_db(&numbers, &exact, &freqs_hz, list.rate_hz);
        if let Some(level_db) = constant_level(&values_db) {
            scaled_db = level_db;
            values_db.iter_mut().for_each(|v| *v -= level_db);
        }
        freqs_hz
            .into_iter()
            .zip(values_db)
            .map(|(f_hz, v)| (v, f_hz))
            .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
            .unwrap_or((0.0, 0.0))
    });
    StageCheck {
        stage: listed.stage,
        pole_radius: section.poles().radius,
        difference,
        scaled_db,
        node_peak_db: up_to(&bank.sections[..=index]),
        inner_peak_db: up_to(&inner),
    }
}

/// The level by which values differ as a whole, where they do and it is worth speaking of.
fn constant_level(values_db: &[f64]) -> Option<f64> {
    let (low, high) = values_db
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(*v), h.max(*v))
        });
    let middle = 0.5 * (low + high);
    (high - low < CONSTANT_WITHIN_DB && middle.abs() > AGREES_DB).then_some(middle)
}

fn compared_at(rate_hz: f64, f0_hz: f64) -> Vec<f64> {
    let to_hz = JUDGED_TO_HZ.min(0.49 * rate_hz);
    let mut freqs_hz = Grid::logarithmic(JUDGED_FROM_HZ, to_hz, POINTS_PER_OCTAVE)
        .freqs_hz()
        .to_vec();
    freqs_hz.push(f0_hz.min(to_hz));
    freqs_hz
}

fn differences_db(a: &Biquad, b: &Biquad, freqs_hz: &[f64], rate_hz: f64) -> Vec<f64> {
    freqs_hz
        .iter()
        .map(|f| {
            let omega_rad = 2.0 * PI * f / rate_hz;
            let difference_db = a.gain_db(omega_rad) - b.gain_db(omega_rad);
            // Two exact zeros at one place differ by nothing.
            if difference_db.is_nan() {
                0.0
            } else {
                difference_db.clamp(-LIMIT_DB, LIMIT_DB)
            }
        })
        .collect()
}

/// Differences are not told beyond this, dB: a zero against none.
const LIMIT_DB: f64 = 200.0;

/// Whether the numbers are those of the parameters but for the format's own steps.
fn is_rounding(list: &FilterList, stage: &Stage, numbers: &Biquad) -> bool {
    let exact = stage.biquad(list.rate_hz);
    let pairs = [
        (numbers.b0, exact.b0),
        (numbers.b1, exact.b1),
        (numbers.b2, exact.b2),
        (numbers.a1, exact.a1),
        (numbers.a2, exact.a2),
    ];
    pairs.iter().all(|(held, exact)| {
        let step = match list.number {
            Number::Fixed { fraction_bits, .. } => (-f64::from(fraction_bits)).exp2(),
            // 24 significant bits (IEEE 754 binary32).
            Number::F32 => exact.abs() * (-23f64).exp2(),
            Number::F64 | Number::None => 0.0,
        };
        (held - exact).abs() <= ROUNDED_STEPS * step
    })
}

/// The fault whose numbers these are.
fn like(list: &FilterList, stage: &Stage, numbers: &Biquad) -> Option<Fault> {
    let alone = FilterList {
        gain_db: 0.0,
        stages: vec![ListedStage {
            stage: *stage,
            biquad: Some(stage.biquad(list.rate_hz)),
            words: None,
        }],
        number: Number::F64,
        ..list.clone()
    };
    let freqs_hz = compared_at(list.rate_hz, stage.f0_hz);
    Fault::singles(&alone, false, false)
        .into_iter()
        .filter_map(|fault| {
            let bank = Fault::bank(&alone, std::slice::from_ref(&fault))?;
            let worst_db = freqs_hz
                .iter()
                .filter(|f| **f < 0.49 * bank.rate_hz)
                .map(|f| {
                    let wanted_db = numbers.gain_db(2.0 * PI * f / list.rate_hz);
                    (bank.gain_at_db(*f) - wanted_db).abs()
                })
                .fold(0.0, f64::max);
            (worst_db < AGREES_DB).then_some((worst_db, fault))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, fault)| fault)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::Feedback;
    use crate::filter::Kind;

    fn list(stages: &[(Stage, Biquad)], gain_db: f64) -> FilterList {
        FilterList {
            speaker: "Quayside 5".into(),
            rate_hz: 48000.0,
            number: Number::F64,
            feedback: Feedback::Subtracted,
            gain_db,
            stages: stages
                .iter()
                .map(|(stage, biquad)| ListedStage {
                    stage: *stage,
                    biquad: Some(*biquad),
                    words: None,
                })
                .collect(),
        }
    }

    fn peaking(f0_hz: f64, gain_db: f64) -> Stage {
        Stage {
            kind: Kind::Peaking,
            f0_hz,
            gain_db,
            q: 2.0,
        }
    }

    #[test]
    fn a_sound_list_has_no_problem_and_its_nodes_are_the_partial_cascades() {
        let (up, down) = (peaking(1000.0, 4.0), peaking(1000.0, -4.0));
        let found = soundness(&list(
            &[(up, up.biquad(48e3)), (down, down.biquad(48e3))],
            0.0,
        ));
        assert!(found.is_sound(), "{:?}", found.problems);
        // A boost and its mirror image cancel; between them the boost stands alone.
        assert!(found.peak_db.abs() < 1e-6);
        assert!((found.stages[0].node_peak_db - 4.0).abs() < 1e-6);
        assert_eq!(found.notes.len(), 1);
    }

    #[test]
    fn numbers_for_another_rate_are_named_as_such() {
        let stage = peaking(1000.0, -4.0);
        let found = soundness(&list(&[(stage, stage.biquad(96e3))], 0.0));
        match &found.problems[..] {
            [
                Problem::Disagrees {
                    stage: 1,
                    like: Some(Fault::WrongRate { rate_hz, .. }),
                    ..
                },
            ] => {
                assert_eq!(*rate_hz, 96000.0);
            }
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn too_little_level_in_front_and_an_unstable_stage_are_problems() {
        let stage = peaking(1000.0, 5.0);
        let found = soundness(&list(&[(stage, stage.biquad(48e3))], -2.0));
        assert!(
            matches!(found.problems[..], [Problem::TooLittleGain { by_db }] if (by_db - 3.0).abs() < 1e-6)
        );
        let exact = peaking(1000.0, -5.0).biquad(48e3);
        let wrong = Biquad {
            a1: -exact.a1,
            a2: -exact.a2,
            ..exact
        };
        let found = soundness(&list(&[(peaking(1000.0, -5.0), wrong)], 0.0));
        assert!(
            matches!(found.problems[0], Problem::Unstable { stage: 1, radius } if radius > 1.0)
        );
        assert!(found.problems.iter().any(|p| matches!(
            p,
            Problem::Disagrees {
                like: Some(Fault::FeedbackSign),
                ..
            }
        )));
    }

    #[test]
    fn a_stage_scaled_as_a_whole_agrees_but_for_its_level() {
        let stage = peaking(1000.0, -4.0);
        let exact = stage.biquad(48e3);
        let half = Biquad {
            b0: 0.5 * exact.b0,
            b1: 0.5 * exact.b1,
            b2: 0.5 * exact.b2,
            ..exact
        };
        let found = soundness(&list(&[(stage, half)], 0.0));
        assert!(found.is_sound());
        assert!((found.stages[0].scaled_db + 6.0206).abs() < 1e-3);
    }
}
