//! What can go wrong between a list and a box, and how a box with such a fault responds.
//!
//! Every fault is put into the list itself and goes through the same [`Bank`] as the sound list,
//! so a fault's prediction is as exact as the list's.

use super::q_reading::{QReading, Scope};
use crate::device::Number;
use crate::filter::{Bank, Biquad, Kind};
use crate::filter_list::FilterList;

/// One fault.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// The device applies the `a` numbers with the other sign.
    FeedbackSign,
    /// The device runs at another rate than the numbers are for.
    WrongRate {
        /// The other rate, Hz.
        rate_hz: f64,
        /// Which side is off.
        side: RateSide,
    },
    /// Stages that do nothing, numbers from 1, ascending, at least one but not all.
    StageMissing(Vec<usize>),
    /// Nothing in the list acts.
    Bypassed,
    /// The level in front is not applied.
    GainMissing,
    /// Coefficients are read backwards.
    ReversedOrder(Reversal),
    /// Q means something else.
    QDefinition {
        /// What it is taken for.
        reading: QReading,
        /// In which stages.
        scope: Scope,
        /// A second reading, for shelves, where peaking stages have their own.
        shelves: Option<QReading>,
    },
}

/// Which side of a wrong rate is off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RateSide {
    /// The device runs at that rate.
    Device,
    /// The numbers in the device were made for that rate.
    Numbers,
}

/// What is read backwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reversal {
    /// `a1` and `a2` are exchanged.
    A,
    /// `b0` and `b2` are exchanged; shows in the phase only.
    B,
    /// Both of the above.
    Both,
    /// All five words last to first.
    AllFive,
}

/// Rates of audio hardware, Hz (AES5-2018 and its multiples; 32 kHz and 64 kHz from memory).
const RATES_HZ: [f64; 10] = [
    32_000.0, 44_100.0, 48_000.0, 64_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0, 352_800.0,
    384_000.0,
];

/// Two rates closer than this share of each other are one.
const SAME_RATE: f64 = 1e-6;

impl Fault {
    /// The name in JSON and on screen.
    pub fn name(&self) -> &'static str {
        match self {
            Fault::FeedbackSign => "feedback-sign",
            Fault::WrongRate { .. } => "wrong-rate",
            Fault::StageMissing(_) => "stage-missing",
            Fault::Bypassed => "bypassed",
            Fault::GainMissing => "gain-missing",
            Fault::ReversedOrder(_) => "reversed-order",
            Fault::QDefinition { .. } => "q-definition",
        }
    }

    /// The list as a box with these faults would run it; `None` when a fault has no meaning for
    /// the list, or changes nothing.
    pub fn bank(list: &FilterList, faults: &[Fault]) -> Option<Bank> {
        if faults.contains(&Fault::Bypassed) {
            let flat = Bank {
                rate_hz: list.rate_hz,
                gain_db: 0.0,
                sections: Vec::new(),
            };
            return (faults.len() == 1 && !list.stages.is_empty()).then_some(flat);
        }
        let mut bank = list.bank();
        // Faults of the parameters come first: they make the coefficients anew.
        if let Some(sections) = remade(list, faults)? {
            bank.sections = sections;
        }
        for fault in faults {
            match fault {
                Fault::FeedbackSign => {
                    needs_coefficients(list)?;
                    for s in &mut bank.sections {
                        (s.a1, s.a2) = (-s.a1, -s.a2);
                    }
                }
                Fault::ReversedOrder(reversal) => {
                    needs_coefficients(list)?;
                    for s in &mut bank.sections {
                        *s = reversed(s, *reversal, list);
                    }
                }
                Fault::GainMissing => {
                    if list.gain_db == 0.0 {
                        return None;
                    }
                    bank.gain_db = 0.0;
                }
                Fault::WrongRate {
                    rate_hz,
                    side: RateSide::Device,
                } => bank.rate_hz = *rate_hz,
                _ => {}
            }
        }
        // Last, since it changes the numbering.
        for fault in faults {
            if let Fault::StageMissing(stages) = fault {
                let mut index = 0;
                bank.sections.retain(|_| {
                    index += 1;
                    !stages.contains(&index)
                });
            }
        }
        Some(bank)
    }

    /// All single faults worth a try on a list; with `level_known` also those of level alone.
    pub fn singles(list: &FilterList, level_known: bool, phase_known: bool) -> Vec<Fault> {
        let count = list.stages.len();
        let mut all = vec![Fault::Bypassed, Fault::FeedbackSign];
        if level_known {
            all.push(Fault::GainMissing);
        }
        let reversals: &[Reversal] = if phase_known {
            &[Reversal::A, Reversal::AllFive, Reversal::B, Reversal::Both]
        } else {
            &[Reversal::A, Reversal::AllFive]
        };
        all.extend(reversals.iter().map(|r| Fault::ReversedOrder(*r)));
        if count > 1 {
            all.extend((1..=count).map(|i| Fault::StageMissing(vec![i])));
            // A box with fewer stages than the list drops the last ones.
            all.extend(
                (1..count.saturating_sub(1))
                    .map(|k| Fault::StageMissing((k + 1..=count).collect())),
            );
        }
        for rate_hz in RATES_HZ {
            if (rate_hz / list.rate_hz - 1.0).abs() > SAME_RATE {
                all.extend(
                    [RateSide::Device, RateSide::Numbers]
                        .map(|side| Fault::WrongRate { rate_hz, side }),
                );
            }
        }
        all.extend(q_definitions(list));
        all.retain(|fault| Fault::bank(list, std::slice::from_ref(fault)).is_some());
        all
    }

    /// Whether two faults can be there at once and make sense together.
    pub fn goes_with(&self, other: &Fault) -> bool {
        let alone = |f: &Fault| matches!(f, Fault::Bypassed);
        if alone(self) || alone(other) {
            return false;
        }
        match (self, other) {
            (Fault::StageMissing(a), Fault::StageMissing(b)) => {
                a.len() == 1 && b.len() == 1 && a[0] < b[0]
            }
            _ => std::mem::discriminant(self) != std::mem::discriminant(other),
        }
    }
}

/// Knobs have no coefficients that could be misread.
fn needs_coefficients(list: &FilterList) -> Option<()> {
    (list.number != Number::None && !list.stages.is_empty()).then_some(())
}

/// Sections made anew from the parameters where a fault asks for it: `Some(None)` where none
/// does, `None` where it makes no filter or changes nothing.
fn remade(list: &FilterList, faults: &[Fault]) -> Option<Option<Vec<Biquad>>> {
    let rate_hz = faults.iter().find_map(|fault| match fault {
        Fault::WrongRate {
            rate_hz,
            side: RateSide::Numbers,
        } => Some(*rate_hz),
        // Knobs are turned into numbers by the device itself, at its own rate.
        Fault::WrongRate { rate_hz, .. } if list.number == Number::None => Some(*rate_hz),
        _ => None,
    });
    let knobs_elsewhere = faults.iter().any(|fault| {
        matches!(
            fault,
            Fault::WrongRate {
                side: RateSide::Numbers,
                ..
            }
        ) && list.number == Number::None
    });
    if knobs_elsewhere {
        return None;
    }
    let definition = faults.iter().find_map(|fault| match fault {
        Fault::QDefinition {
            reading,
            scope,
            shelves,
        } => Some((*reading, *scope, *shelves)),
        _ => None,
    });
    if rate_hz.is_none() && definition.is_none() {
        return Some(None);
    }
    let rate_hz = rate_hz.unwrap_or(list.rate_hz);
    let mut changed = definition.is_none();
    let mut sections = Vec::with_capacity(list.stages.len());
    for listed in &list.stages {
        let mut stage = listed.stage;
        if stage.f0_hz >= 0.5 * rate_hz {
            return None;
        }
        let mut touched = rate_hz != list.rate_hz;
        if let Some((reading, scope, shelves)) = definition {
            let reading = match shelves {
                Some(shelves) if stage.kind != Kind::Peaking => shelves,
                _ => reading,
            };
            if scope.holds(stage.kind)
                && let Some(q) = reading.cookbook_q(&stage, rate_hz)
                && (q / stage.q - 1.0).abs() > LEAST_Q_CHANGE
            {
                stage.q = q;
                (touched, changed) = (true, true);
            }
        }
        sections.push(match listed.biquad {
            Some(biquad) if !touched => biquad,
            _ => held(&stage.biquad(rate_hz), list.number),
        });
    }
    changed.then_some(Some(sections))
}

/// A Q nearer to another than this share sounds and measures the same.
const LEAST_Q_CHANGE: f64 = 0.01;

/// The numbers as the format holds them, the exact ones where it cannot.
fn held(exact: &Biquad, number: Number) -> Biquad {
    let hold = |value: f64| number.quantise(value).unwrap_or(value);
    Biquad {
        b0: hold(exact.b0),
        b1: hold(exact.b1),
        b2: hold(exact.b2),
        a1: hold(exact.a1),
        a2: hold(exact.a2),
    }
}

fn reversed(s: &Biquad, reversal: Reversal, list: &FilterList) -> Biquad {
    match reversal {
        Reversal::A => Biquad {
            a1: s.a2,
            a2: s.a1,
            ..*s
        },
        Reversal::B => Biquad {
            b0: s.b2,
            b2: s.b0,
            ..*s
        },
        Reversal::Both => Biquad {
            b0: s.b2,
            b2: s.b0,
            a1: s.a2,
            a2: s.a1,
            ..*s
        },
        Reversal::AllFive => {
            // The words change places with the sign the file gives them.
            let sign = match list.feedback {
                crate::device::Feedback::Subtracted => 1.0,
                crate::device::Feedback::Added => -1.0,
            };
            Biquad {
                b0: sign * s.a2,
                b1: sign * s.a1,
                b2: s.b2,
                a1: sign * s.b1,
                a2: sign * s.b0,
            }
        }
    }
}

fn q_definitions(list: &FilterList) -> Vec<Fault> {
    let has = |scope: Scope| list.stages.iter().any(|l| scope.holds(l.stage.kind));
    let mixed = has(Scope::Peaking) && has(Scope::Shelves);
    let mut all = Vec::new();
    for reading in QReading::ALL {
        for scope in [Scope::All, Scope::Peaking, Scope::Shelves] {
            if reading.takes(scope) && (scope == Scope::All || mixed) {
                all.push(Fault::QDefinition {
                    reading,
                    scope,
                    shelves: None,
                });
            }
        }
        // A box with its own idea of shelves as well.
        let for_peaking = QReading::ShelfSlope != reading && QReading::SlopeOfQ != reading;
        if mixed && for_peaking && reading.takes(Scope::All) {
            let shelves = Some(QReading::ShelfSlope);
            all.push(Fault::QDefinition {
                reading,
                scope: Scope::All,
                shelves,
            });
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::Feedback;
    use crate::filter::Stage;
    use crate::filter_list::ListedStage;

    fn list(number: Number) -> FilterList {
        let stage = |f0_hz: f64, gain_db: f64| {
            let stage = Stage {
                kind: Kind::Peaking,
                f0_hz,
                gain_db,
                q: 2.0,
            };
            let biquad = (number != Number::None).then(|| stage.biquad(48000.0));
            ListedStage {
                stage,
                biquad,
                words: None,
            }
        };
        FilterList {
            speaker: "Quayside 5".into(),
            rate_hz: 48000.0,
            number,
            feedback: Feedback::Subtracted,
            gain_db: -3.0,
            stages: vec![stage(100.0, 3.0), stage(1000.0, -4.0), stage(5000.0, -2.0)],
        }
    }

    #[test]
    fn a_missing_stage_leaves_the_sum_of_the_others() {
        let list = list(Number::F64);
        let bank = Fault::bank(&list, &[Fault::StageMissing(vec![2])]).unwrap();
        let whole = list.bank();
        for f_hz in [50.0, 1000.0, 7000.0] {
            let stage_db = whole.sections[1].gain_db(2.0 * std::f64::consts::PI * f_hz / 48000.0);
            assert!((bank.gain_at_db(f_hz) - (whole.gain_at_db(f_hz) - stage_db)).abs() < 1e-9);
        }
    }

    #[test]
    fn a_device_at_twice_the_rate_has_its_peaks_an_octave_higher() {
        let list = list(Number::F64);
        let fault = Fault::WrongRate {
            rate_hz: 96000.0,
            side: RateSide::Device,
        };
        let bank = Fault::bank(&list, &[fault]).unwrap();
        for f_hz in [50.0, 1000.0, 7000.0] {
            assert!((bank.gain_at_db(2.0 * f_hz) - list.bank().gain_at_db(f_hz)).abs() < 1e-9);
        }
    }

    #[test]
    fn knobs_have_no_feedback_numbers_and_no_order() {
        let list = list(Number::None);
        let singles = Fault::singles(&list, true, true);
        assert!(
            singles
                .iter()
                .all(|f| !matches!(f, Fault::FeedbackSign | Fault::ReversedOrder(_)))
        );
        assert!(singles.contains(&Fault::Bypassed) && singles.contains(&Fault::GainMissing));
    }

    #[test]
    fn the_other_sign_makes_usual_stages_unstable() {
        let list = list(Number::F64);
        let bank = Fault::bank(&list, &[Fault::FeedbackSign]).unwrap();
        assert!(bank.sections.iter().all(|s| !s.is_stable()));
    }
}
