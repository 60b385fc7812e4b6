//! Does the device do what the list says, and if not, which fault explains it best?
//!
//! The sound list and the list with every fault are compared with the measurement in the same
//! way: level and roll-offs of the sound card are fitted (`check/interface.rs`), and what is
//! left is weighed. The answer is about the shape of what is left, not about one point.

use super::faults::{Fault, Reversal};
use super::interface::{Fitted, Interfaces, cost_db2};
use super::loopback::{Judged, Loopback, noise_db};
use super::phase;
use super::q_reading::QReading;
use crate::error::Result;
use crate::filter::Bank;
use crate::filter_list::FilterList;
use crate::units::{median, octaves};

pub use super::interface::{Interface, Roll};

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Whether the device does what the list says, within [`Comparison::limit_db`].
    pub matches: bool,
    /// Lowest frequency judged, Hz.
    pub from_hz: f64,
    /// Highest frequency judged, Hz.
    pub to_hz: f64,
    /// Whether the level counted; otherwise it was free.
    pub absolute: bool,
    /// The sound card as fitted to the list without a fault.
    pub interface: Interface,
    /// Noise of the measurement, standard deviation of a point, dB.
    pub noise_db: f64,
    /// Differences up to this one are no alarm, dB; larger with more noise.
    pub limit_db: f64,
    /// Largest difference of measurement and list, averaged over a sixth of an octave, dB, and
    /// where it lies, Hz.
    pub largest: (f64, f64),
    /// Whether the curve is that of a device at all; see [`NONSENSE_NOISE_DB`].
    pub sensible: bool,
    /// Phase that neither list nor delay nor sound card explain, degrees rms, where it was
    /// measured.
    pub phase_left_deg: Option<f64>,
    /// Whether the free level is the one that a forgotten gain in front would give.
    pub gain_may_be_missing: bool,
    /// Faults that explain the measurement, likeliest first; empty when it matches or none does.
    pub faults: Vec<NamedFault>,
    /// The curves behind the verdict.
    pub curves: Curves,
}

/// A fault with how well it explains the measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedFault {
    /// The fault.
    pub fault: Fault,
    /// Other faults that are there at the same time in this explanation.
    pub with: Vec<Fault>,
    /// Share of the difference that it explains, 0 to 1; `None` for an unstable device, which
    /// has no steady response that could be compared.
    pub explains: Option<f64>,
    /// What it leaves unexplained, dB rms; `None` as above.
    pub left_db: Option<f64>,
    /// Whether it explains the measurement as well as the likeliest does, within the noise.
    pub fits: bool,
    /// Whether the device is unstable with it: it then oscillates or clips.
    pub unstable: bool,
}

/// Prediction and measurement at the judged frequencies, level and sound card taken out.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    /// Frequencies, Hz.
    pub freqs_hz: Vec<f64>,
    /// The list, level in front included, dB.
    pub predicted_db: Vec<f64>,
    /// The measurement less the fitted sound card, dB.
    pub measured_db: Vec<f64>,
    /// The likeliest fault, dB, where there is one.
    pub fault_db: Option<Vec<f64>>,
}

/// No measurement is believed better than this, dB: ripple of converters and of smoothing. Our
/// own judgement.
const LEAST_LIMIT_DB: f64 = 0.1;

/// Alarm only beyond this many standard deviations of the averaged noise: with five there would be
/// one false alarm in some ten thousand measurements of 60 independent bands each (normal
/// distribution, two sides); one more is for the sound card's corners, which are fitted to the same
/// noise and carry some of it into their neighbourhood.
const LIMIT_SIGMAS: f64 = 6.0;

/// Differences are averaged this far to either side before they are judged, octaves.
const AVERAGED_OCT: f64 = 1.0 / 12.0;

/// A curve whose points scatter more than this, dB, is not the response of any filter: noise of
/// an oscillation or of a device that clips or is silent. Loopbacks scatter less than 0.1 dB.
pub const NONSENSE_NOISE_DB: f64 = 1.5;

/// Noise is taken for at least this, dB, when explanations are weighed: no model of a sound card
/// is better.
const LEAST_NOISE_DB: f64 = 0.02;

/// An explanation that leaves half is none. Our own judgement.
const LEAST_EXPLAINED: f64 = 0.5;

/// Below this even the likeliest fault leaves so much that an unstable device is thought of.
const WELL_EXPLAINED: f64 = 0.9;

/// Two explanations whose weights differ by less fit equally: a likelihood ratio of e^5.
const SAME_WEIGHT: f64 = 10.0;

/// A second fault must improve the weight by this much: there are some thousand pairs to choose
/// from, each with a level and two roll-offs of its own.
const PAIR_PENALTY: f64 = 60.0;

/// So many faults are named at most.
const MOST_NAMED: usize = 5;

/// A fault that explains a difference below the limit is believed when the weight falls by this
/// much...
const SURE_WEIGHT: f64 = 100.0;
/// ...and it leaves hardly more than noise: mean square over that of the noise.
const NOISE_ONLY: f64 = 1.4;

/// Phase tells two explanations apart when one leaves less than a third of the other's, and the
/// other's is more than this, degrees rms.
const PHASE_CLEAR_DEG: f64 = 6.0;

/// One explanation tried.
struct Trial {
    faults: Vec<Fault>,
    bank: Bank,
    predicted_db: Vec<f64>,
    fitted: Fitted,
    weight: f64,
}

/// Compares a measurement with a list. With `absolute` the level counts as well.
///
/// # Errors
/// When too little of the audible band was measured.
pub fn compare(list: &FilterList, loopback: &Loopback, absolute: bool) -> Result<Comparison> {
    let bank = list.bank();
    let judged = Judged::new(loopback, list.rate_hz, |freqs| levels_db(&bank, freqs))?;
    let bench = Bench {
        list,
        judged: &judged,
        interfaces: Interfaces::new(&judged.freqs_hz, &judged.weights, list.rate_hz, !absolute),
    };
    let roughness_db = noise_db(&judged.freqs_hz, &judged.levels_db);
    let sensible = roughness_db < NONSENSE_NOISE_DB;
    let mut sound = bench.trial_of(Vec::new(), bank);
    let averaged = Averaged::new(&judged, &sound.fitted.left_db);
    let left_noise_db = |t: &Trial| noise_db(&judged.freqs_hz, &t.fitted.left_db);
    let mut noise_db = left_noise_db(&sound);
    let phase_left = |trial: &Trial| {
        let phase_deg = judged.phase_deg.as_ref()?;
        phase::left_deg(&judged.freqs_hz, phase_deg, &trial.bank)
    };
    let sound_phase_deg = phase_left(&sound);
    let backwards = sound_phase_deg.is_some()
        && bench
            .trial(vec![Fault::ReversedOrder(Reversal::B)])
            .and_then(|t| phase_left(&t))
            .is_some_and(|left_deg| clearly_less(left_deg, sound_phase_deg));
    let only_noise = |t: &Trial, noise_db: f64| {
        let sigma_db = noise_db.max(LEAST_NOISE_DB);
        t.fitted.cost_db2 < NOISE_ONLY * judged.count() * sigma_db * sigma_db
    };
    let mut matches =
        sensible && !backwards && averaged.all_within(noise_db) && only_noise(&sound, noise_db);
    let mut faults = Vec::new();
    let mut fault_db = None;
    if sensible && !matches {
        let mut trials: Vec<Trial> = Fault::singles(list, absolute, judged.phase_deg.is_some())
            .into_iter()
            .filter_map(|fault| bench.trial(vec![fault]))
            .collect();
        noise_db = trials.iter().map(left_noise_db).fold(noise_db, f64::min);
        let sigma_db = noise_db.max(LEAST_NOISE_DB);
        let weigh = |trial: &mut Trial| {
            trial.weight = trial.fitted.cost_db2 / (sigma_db * sigma_db) + penalty(&trial.faults);
        };
        weigh(&mut sound);
        trials.iter_mut().for_each(weigh);
        trials.sort_by(|a, b| a.weight.total_cmp(&b.weight));
        let explained = trials
            .first()
            .is_some_and(|best| only_noise(best, noise_db));
        let surely_faulty = explained
            && trials
                .first()
                .is_some_and(|best| sound.weight - best.weight > SURE_WEIGHT)
            && averaged.largest.1.abs() > 0.5 * averaged.limit_db(noise_db);
        matches = !backwards && averaged.all_within(noise_db) && !surely_faulty;
        if !matches {
            if !explained {
                let pairs = bench.pairs(&trials, weigh);
                trials.extend(pairs);
                trials.sort_by(|a, b| a.weight.total_cmp(&b.weight));
            }
            settle_by_phase(&mut trials, phase_left);
            faults = named(&trials, &sound, &judged, sigma_db, backwards);
            if faults.iter().any(|f| f.fits) {
                fault_db = trials.first().map(|t| t.predicted_db.clone());
            }
        }
    }
    if !matches {
        add_unstable(list, sensible, &mut faults);
    }
    let level_db = sound.fitted.interface.level_db;
    let curves = Curves {
        measured_db: sound
            .predicted_db
            .iter()
            .zip(&sound.fitted.left_db)
            .map(|(p, r)| p + r)
            .collect(),
        predicted_db: sound.predicted_db,
        fault_db,
        freqs_hz: judged.freqs_hz.clone(),
    };
    Ok(Comparison {
        matches,
        from_hz: judged.freqs_hz.first().copied().unwrap_or(0.0),
        to_hz: judged.freqs_hz.last().copied().unwrap_or(0.0),
        absolute,
        interface: sound.fitted.interface,
        noise_db: if sensible { noise_db } else { roughness_db },
        limit_db: averaged.limit_db(noise_db),
        largest: (averaged.largest.1, averaged.largest.0),
        sensible,
        phase_left_deg: sound_phase_deg,
        gain_may_be_missing: !absolute
            && list.gain_db < -LEAST_TELLING_GAIN_DB
            && (level_db + list.gain_db).abs() < SAME_LEVEL_DB,
        faults,
        curves,
    })
}

/// A gain in front smaller than this, dB, is met by chance too often to be spoken of.
const LEAST_TELLING_GAIN_DB: f64 = 0.5;
/// Levels nearer than this are the same, dB.
const SAME_LEVEL_DB: f64 = 0.05;

/// What has a fault in the list and the measurement, ready for many trials.
struct Bench<'a> {
    list: &'a FilterList,
    judged: &'a Judged,
    interfaces: Interfaces<'a>,
}

impl Bench<'_> {
    fn trial(&self, faults: Vec<Fault>) -> Option<Trial> {
        let bank = Fault::bank(self.list, &faults)?;
        Some(self.trial_of(faults, bank))
    }

    fn trial_of(&self, faults: Vec<Fault>, bank: Bank) -> Trial {
        let predicted_db = levels_db(&bank, &self.judged.freqs_hz);
        let difference_db: Vec<f64> = self
            .judged
            .levels_db
            .iter()
            .zip(&predicted_db)
            .map(|(m, p)| m - p)
            .collect();
        let fitted = self.interfaces.fit(&difference_db);
        Trial {
            faults,
            bank,
            predicted_db,
            fitted,
            weight: f64::INFINITY,
        }
    }

    /// Single faults (likeliest first), each with every other that goes with it.
    fn pairs(&self, singles: &[Trial], weigh: impl Fn(&mut Trial)) -> Vec<Trial> {
        let mut pairs = Vec::new();
        for (i, first) in singles.iter().enumerate() {
            for second in &singles[i + 1..] {
                // The likelier of the two is named first.
                let faults = vec![first.faults[0].clone(), second.faults[0].clone()];
                if !(faults[0].goes_with(&faults[1]) || faults[1].goes_with(&faults[0])) {
                    continue;
                }
                if let Some(mut trial) = self.trial(faults) {
                    weigh(&mut trial);
                    pairs.push(trial);
                }
            }
        }
        pairs
    }
}

/// Levels of a bank; a device passes nothing at and above half its rate.
fn levels_db(bank: &Bank, freqs_hz: &[f64]) -> Vec<f64> {
    freqs_hz
        .iter()
        .map(|f| {
            if *f < 0.5 * bank.rate_hz {
                bank.gain_at_db(*f).clamp(-LARGEST_DB, LARGEST_DB)
            } else {
                bank.gain_db - STOP_BAND_DB
            }
        })
        .collect()
}

/// Levels of tables go as far, dB; the formal response of an unstable cascade needs them.
const LARGEST_DB: f64 = 1000.0;
/// What converters leave above half their rate, dB (common practice).
const STOP_BAND_DB: f64 = 100.0;

/// What an explanation must gain before it is preferred to a simpler or likelier one; in units of
/// twice the logarithm of a likelihood. Our own judgement of how often each is met.
fn penalty(faults: &[Fault]) -> f64 {
    let single = |fault: &Fault| match fault {
        // It has no setting that could be chosen to fit.
        Fault::Bypassed => 0.0,
        Fault::FeedbackSign | Fault::GainMissing => 2.0,
        Fault::StageMissing(stages) if stages.len() == 1 => 2.0,
        Fault::StageMissing(_) => 4.0,
        // Beyond these rates few devices and no sound cards of the trade are set by mistake.
        Fault::WrongRate { rate_hz, .. } if !(44_100.0..=192_000.0).contains(rate_hz) => 7.0,
        Fault::WrongRate { rate_hz, .. } if *rate_hz == 64_000.0 => 7.0,
        Fault::WrongRate { .. } | Fault::ReversedOrder(_) => 3.0,
        Fault::QDefinition {
            reading, shelves, ..
        } => {
            let usual = matches!(
                reading,
                QReading::BandwidthOctaves
                    | QReading::OfPoles
                    | QReading::ConstantMinus3Db
                    | QReading::Proportional
                    | QReading::ShelfSlope
            );
            if usual && shelves.is_none() { 3.0 } else { 6.0 }
        }
    };
    let more = faults.len().saturating_sub(1) as f64;
    faults.iter().map(single).sum::<f64>() + PAIR_PENALTY * more
}

/// A difference averaged along the frequency axis.
struct Averaged {
    values_db: Vec<f64>,
    /// Standard deviation of each value over that of a point.
    shares: Vec<f64>,
    /// The middle one of them.
    typical_share: f64,
    /// Where the largest lies, and what it is.
    largest: (f64, f64),
}

impl Averaged {
    fn new(judged: &Judged, left_db: &[f64]) -> Averaged {
        let freqs_hz = &judged.freqs_hz;
        let mut values_db = Vec::with_capacity(freqs_hz.len());
        let mut shares = Vec::with_capacity(freqs_hz.len());
        for f_hz in freqs_hz {
            let near = |f: &f64| octaves(*f, *f_hz).abs() <= AVERAGED_OCT;
            let from = freqs_hz.partition_point(|f| f < f_hz && !near(f));
            let to = freqs_hz.partition_point(|f| f < f_hz || near(f));
            let weights = &judged.weights[from..to];
            let sum: f64 = weights.iter().sum();
            let mean: f64 = weights
                .iter()
                .zip(&left_db[from..to])
                .map(|(w, r)| w * r)
                .sum();
            let squares: f64 = weights.iter().map(|w| w * w).sum();
            values_db.push(mean / sum);
            shares.push(squares.sqrt() / sum);
        }
        let largest = freqs_hz
            .iter()
            .zip(&values_db)
            .map(|(f, v)| (*f, *v))
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
            .unwrap_or((0.0, 0.0));
        let typical_share = median(shares.clone());
        Averaged {
            values_db,
            shares,
            typical_share,
            largest,
        }
    }

    /// The largest averaged difference that noise of `noise_db` a point does not explain.
    fn limit_db(&self, noise_db: f64) -> f64 {
        LEAST_LIMIT_DB.max(LIMIT_SIGMAS * noise_db * self.typical_share)
    }

    /// Whether every value lies within its own limit; averages of fewer points have a wider one.
    fn all_within(&self, noise_db: f64) -> bool {
        self.values_db
            .iter()
            .zip(&self.shares)
            .all(|(v, share)| v.abs() <= LEAST_LIMIT_DB.max(LIMIT_SIGMAS * noise_db * share))
    }
}

fn clearly_less(left_deg: f64, other_deg: Option<f64>) -> bool {
    other_deg.is_some_and(|other| other > PHASE_CLEAR_DEG && left_deg < other / 3.0)
}

/// Among explanations whose levels fit equally, one whose phase fits clearly better comes first.
fn settle_by_phase(trials: &mut [Trial], phase_left: impl Fn(&Trial) -> Option<f64>) {
    let Some(least) = trials.first().map(|t| t.weight) else {
        return;
    };
    let end = trials.partition_point(|t| t.weight < least + SAME_WEIGHT);
    let phases: Vec<Option<f64>> = trials[..end].iter().map(&phase_left).collect();
    let best = (0..end)
        .filter_map(|i| phases[i].map(|deg| (i, deg)))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((i, deg)) = best
        && clearly_less(deg, phases[0])
    {
        trials[..=i].rotate_right(1);
    }
}

/// The explanations as faults by name, likeliest first; the two of a pair one after the other.
fn named(
    trials: &[Trial],
    sound: &Trial,
    judged: &Judged,
    sigma_db: f64,
    by_phase: bool,
) -> Vec<NamedFault> {
    let Some(best) = trials.first() else {
        return Vec::new();
    };
    let noise_db2 = judged.count() * cost_db2(sigma_db);
    let above_noise = |t: &Trial| (t.fitted.cost_db2 - noise_db2).max(0.0);
    let whole = above_noise(sound);
    // Levels that are the same but for rounding, which a reversed numerator leaves.
    let as_good_db2 = sound.fitted.cost_db2 * (1.0 + 1e-6);
    let mut faults: Vec<NamedFault> = Vec::new();
    for trial in trials {
        let explains = if whole > 0.0 && !(by_phase && trial.fitted.cost_db2 <= as_good_db2) {
            (1.0 - above_noise(trial) / whole).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let fits = trial.weight < best.weight + SAME_WEIGHT;
        // Pairs beyond the likeliest only repeat what the single faults say.
        let is_best = std::ptr::eq(trial, best);
        if explains < LEAST_EXPLAINED || (trial.faults.len() > 1 && !is_best) {
            continue;
        }
        for (i, fault) in trial.faults.iter().enumerate() {
            // Of each kind the likeliest only, unless others fit as well.
            let seen = faults
                .iter()
                .any(|f| f.fault == *fault || (!fits && f.fault.name() == fault.name()));
            let enough = faults.len() >= MOST_NAMED;
            let variant = faults.iter().any(|f| f.fault.name() == fault.name())
                && matches!(fault, Fault::QDefinition { .. });
            if seen || enough || variant {
                continue;
            }
            let with = trial
                .faults
                .iter()
                .enumerate()
                .filter(|(k, _)| *k != i)
                .map(|(_, other)| other.clone())
                .collect();
            let mean_db2 = trial
                .fitted
                .left_db
                .iter()
                .zip(&judged.weights)
                .map(|(r, w)| w * r * r)
                .sum::<f64>()
                / judged.count();
            faults.push(NamedFault {
                fault: fault.clone(),
                with,
                explains: Some(explains),
                left_db: Some(mean_db2.sqrt()),
                fits,
                unstable: trial.bank.sections.iter().any(|s| !s.is_stable()),
            });
        }
    }
    faults
}

/// An unstable device has no steady response: it oscillates or clips, and what was measured then
/// is anything. When nothing explains the measurement, the faults that make it so are named.
fn add_unstable(list: &FilterList, sensible: bool, faults: &mut Vec<NamedFault>) {
    let explained = faults.first().and_then(|f| f.explains).unwrap_or(0.0);
    if explained >= WELL_EXPLAINED {
        return;
    }
    let mut front = Vec::new();
    for fault in [Fault::FeedbackSign, Fault::ReversedOrder(Reversal::A)] {
        let unstable = Fault::bank(list, std::slice::from_ref(&fault))
            .is_some_and(|bank| bank.sections.iter().any(|s| !s.is_stable()));
        if unstable && !faults.iter().any(|f| f.fault.name() == fault.name()) {
            front.push(NamedFault {
                fault,
                with: Vec::new(),
                explains: None,
                left_db: None,
                fits: false,
                unstable: true,
            });
        }
    }
    if sensible && explained >= LEAST_EXPLAINED {
        faults.extend(front);
    } else {
        faults.splice(0..0, front);
    }
}
