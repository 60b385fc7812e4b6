//! From impulse responses to levels and phases: one onset and one gate for all angles, the
//! transform, and power averaged into the bands of a logarithmic grid.
//!
//! All angles keep their common time: phase is told relative to the common onset, so that an
//! angle whose sound arrives later shows the delay.

use super::understood::Note;
use crate::curve::{Grid, Resampling};
use crate::units::unwrap_deg;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// One impulse response.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Impulse {
    /// Finite.
    pub samples: Vec<f64>,
    /// When its first sample was taken, s, on the clock all angles share.
    pub starts_s: f64,
}

/// What the user wants of the gate; `None` is found from the data.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Wanted {
    /// Length of the gate from the onset to its end, s, above 0.
    pub gate_s: Option<f64>,
    /// How much of its end is the falling half of a Hann window, s.
    pub fade_s: Option<f64>,
}

/// The gate that was used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Gate {
    /// Onset common to all angles, s on their clock.
    pub onset_s: f64,
    /// Length from the onset, s.
    pub length_s: f64,
    /// How much of the end falls off, s.
    pub fade_s: f64,
    /// Whether the length was set by a reflection that was found.
    pub reflection: bool,
}

/// Levels and phases of all angles on one grid.
pub(super) struct Spectra {
    pub grid: Grid,
    /// Level in dB (full scale is 0) and phase in degrees, unwrapped, of each angle.
    pub rows: Vec<(Vec<f64>, Vec<f64>)>,
    pub gate: Gate,
}

/// The onset is where the sound first reaches this share of an angle's peak: 20 dB below it
/// (common practice).
const ONSET_SHARE: f64 = 0.1;

/// Angles whose peak lies more than this below the loudest do not set the onset: noise may reach
/// their share first. 20 dB, as amplitude.
const LOUD_SHARE: f64 = 0.1;

/// How long before the onset the gate opens, s: what a linear-phase filter rings ahead.
const LEAD_S: f64 = 0.001;

/// The gate's end falls off over this share of it unless told otherwise (own judgement: half of
/// what decays is kept as it is).
const FADE_SHARE: f64 = 0.5;

/// Reflections are looked for from this long after the onset, s: earlier arrivals come from the
/// box itself and from angles whose baffle stands farther away (0.86 m).
const REFLECTION_AFTER_S: f64 = 0.0025;

/// Length of the pieces whose energies are compared, s.
const PIECE_S: f64 = 0.0005;

/// A reflection raises the energy of a piece to this many times the least before it: 10 dB.
const RISE: f64 = 10.0;

/// Below this share of the direct sound's energy nothing is a reflection: -40 dB, where a ripple
/// would stay below 0.1 dB.
const REFLECTION_SHARE: f64 = 1e-4;

/// Density of the grid, points per octave: twice what the audit looks at, as tables are kept.
const POINTS_PER_OCTAVE: f64 = 96.0;

/// The grid's ends, Hz: the audible range and a third of an octave more on either side.
const RANGE_HZ: (f64, f64) = (16.0, 25_000.0);

/// Above this share of the sampling rate the converter's filter falls off (common practice).
const HIGHEST_SHARE_OF_RATE: f64 = 0.45;

/// Values between two that the gate's length keeps apart, so that nothing is lost in between.
const OVERSAMPLING: usize = 4;

/// The transform is at least this long: bins below 1 Hz at the usual rates.
const SHORTEST_TRANSFORM: usize = 1 << 16;

/// The longest transform, which bounds what a hostile file can ask for.
const LONGEST_TRANSFORM: usize = 1 << 22;

/// Powers below this count as it: -400 dB, so that silence has a finite level.
const LEAST_POWER: f64 = 1e-40;

/// How long the sound may be looked at: from the onset to the end of the file that ends first.
fn end_s(impulses: &[Impulse], rate_hz: f64) -> f64 {
    impulses
        .iter()
        .map(|i| i.starts_s + i.samples.len() as f64 / rate_hz)
        .fold(f64::INFINITY, f64::min)
}

/// The onset common to all angles, s; `None` when all are silent.
fn onset_s(impulses: &[Impulse], rate_hz: f64) -> Option<f64> {
    let peak = |i: &Impulse| i.samples.iter().fold(0.0, |p: f64, v| p.max(v.abs()));
    let peaks: Vec<f64> = impulses.iter().map(peak).collect();
    let loudest = peaks.iter().copied().fold(0.0, f64::max);
    impulses
        .iter()
        .zip(&peaks)
        .filter(|(_, peak)| **peak > 0.0 && **peak >= LOUD_SHARE * loudest)
        .filter_map(|(impulse, peak)| {
            let first = impulse
                .samples
                .iter()
                .position(|v| v.abs() >= ONSET_SHARE * peak)?;
            Some(impulse.starts_s + first as f64 / rate_hz)
        })
        .min_by(f64::total_cmp)
}

/// When the first reflection arrives, s after the onset. Looked for in the differences of
/// neighbouring samples, which bring out the high frequencies: a box may ring on at low ones, a
/// reflection brings all.
fn reflection_s(impulses: &[Impulse], rate_hz: f64, onset_s: f64, end_s: f64) -> Option<f64> {
    let piece = (PIECE_S * rate_hz).round().max(1.0);
    let pieces = ((end_s - onset_s) * rate_hz / piece).floor().max(0.0) as usize;
    let mut energies = vec![0.0; pieces];
    for impulse in impulses {
        let first = (onset_s - impulse.starts_s) * rate_hz;
        for (i, pair) in impulse.samples.windows(2).enumerate() {
            let at = (i as f64 - first) / piece;
            if at >= 0.0
                && let Some(energy) = energies.get_mut(at as usize)
            {
                *energy += (pair[1] - pair[0]) * (pair[1] - pair[0]);
            }
        }
    }
    let direct = energies
        .iter()
        .take((REFLECTION_AFTER_S / PIECE_S) as usize)
        .copied()
        .fold(0.0, f64::max);
    let mut least = f64::INFINITY;
    for (k, energy) in energies.iter().enumerate() {
        let at_s = k as f64 * piece / rate_hz;
        if at_s >= REFLECTION_AFTER_S
            && *energy > RISE * least
            && *energy > REFLECTION_SHARE * direct
        {
            return Some(at_s);
        }
        least = least.min(*energy);
    }
    None
}

/// The gate for `impulses`; `None` when all are silent or nothing is left after the onset.
fn gate(impulses: &[Impulse], rate_hz: f64, wanted: Wanted) -> Option<Gate> {
    let onset_s = onset_s(impulses, rate_hz)?;
    let longest_s = end_s(impulses, rate_hz) - onset_s;
    let found_s = match wanted.gate_s {
        Some(_) => None,
        None => reflection_s(impulses, rate_hz, onset_s, onset_s + longest_s),
    };
    let length_s = wanted
        .gate_s
        .or(found_s)
        .unwrap_or(longest_s)
        .min(longest_s);
    // Fewer samples than this hold no band at all.
    if length_s * rate_hz < 16.0 {
        return None;
    }
    let fade_s = wanted.fade_s.unwrap_or(FADE_SHARE * length_s).min(length_s);
    Some(Gate {
        onset_s,
        length_s,
        fade_s,
        reflection: found_s.is_some(),
    })
}

impl Gate {
    /// Lowest frequency the gate lets one trust, Hz: one period within it (common practice).
    pub fn trusted_from_hz(&self) -> f64 {
        1.0 / self.length_s
    }

    /// What the user should know of it.
    pub fn note(&self) -> Note {
        Note::Gate {
            length_s: self.length_s,
            fade_s: self.fade_s,
            reflection: self.reflection,
            trusted_from_hz: self.trusted_from_hz(),
        }
    }

    /// What is left at a time `after_s` of the onset.
    fn share(&self, after_s: f64) -> f64 {
        let half_hann = |t: f64| 0.5 * (1.0 + (std::f64::consts::PI * t).cos());
        if after_s < -LEAD_S || after_s >= self.length_s {
            0.0
        } else if after_s < 0.0 {
            half_hann(-after_s / LEAD_S)
        } else if after_s <= self.length_s - self.fade_s {
            1.0
        } else {
            half_hann((after_s - (self.length_s - self.fade_s)) / self.fade_s)
        }
    }
}

/// Levels and phases of `impulses`, all sampled at `rate_hz` (finite, above 0); `None` when they
/// are silent, too short, or sampled too slowly for any band.
pub(super) fn spectra(impulses: &[Impulse], rate_hz: f64, wanted: Wanted) -> Option<Spectra> {
    let gate = gate(impulses, rate_hz, wanted)?;
    let lead = (LEAD_S * rate_hz).ceil();
    let length = (gate.length_s * rate_hz).ceil() as usize + lead as usize + 1;
    let transform = (OVERSAMPLING * length)
        .max(SHORTEST_TRANSFORM)
        .next_power_of_two();
    if transform > LONGEST_TRANSFORM {
        return None;
    }
    let step_hz = rate_hz / transform as f64;
    let bins = Grid::new((1..=transform / 2).map(|k| k as f64 * step_hz).collect())?;
    let from_hz = RANGE_HZ.0.max(2.0 * step_hz);
    let to_hz = RANGE_HZ.1.min(HIGHEST_SHARE_OF_RATE * rate_hz);
    if to_hz < 2.0 * from_hz {
        return None;
    }
    let grid = Grid::logarithmic(from_hz, to_hz, POINTS_PER_OCTAVE);
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(transform);
    let resampling = Resampling::new(&bins, &grid);
    let transformed = |spectrum: &mut Vec<Complex<f64>>, impulse: &Impulse| {
        // Sample 0 of the transform; what is left of the time between it and the onset is
        // turned back below.
        let first = ((gate.onset_s - impulse.starts_s) * rate_hz - lead).floor();
        let offset_s = impulse.starts_s + first / rate_hz - gate.onset_s;
        let mut input = vec![0.0; transform];
        for (i, slot) in input.iter_mut().enumerate().take(length + 1) {
            let at = first + i as f64;
            if at >= 0.0
                && let Some(value) = impulse.samples.get(at as usize)
            {
                *slot = value * gate.share(offset_s + i as f64 / rate_hz);
            }
        }
        plan.process(&mut input, spectrum).ok()?;
        row(&spectrum[1..], &bins, &grid, &resampling, offset_s)
    };
    let mut spectrum = plan.make_output_vec();
    let rows = impulses
        .iter()
        .map(|impulse| transformed(&mut spectrum, impulse))
        .collect::<Option<Vec<_>>>()?;
    Some(Spectra { grid, rows, gate })
}

/// Level and phase on `grid` from the bins of a transform whose first sample lies `offset_s`
/// after time zero.
fn row(
    spectrum: &[Complex<f64>],
    bins: &Grid,
    grid: &Grid,
    resampling: &Resampling,
    offset_s: f64,
) -> Option<(Vec<f64>, Vec<f64>)> {
    let powers: Vec<f64> = spectrum
        .iter()
        .map(|c| c.norm_sqr().max(LEAST_POWER))
        .collect();
    // Angles take long; those above the grid are not asked for.
    let asked = (grid.last_hz() / bins.first_hz()).ceil() as usize + 2;
    let mut phase_deg: Vec<f64> = spectrum
        .iter()
        .zip(bins.freqs_hz())
        .take(asked)
        .map(|(c, f_hz)| c.arg().to_degrees() - 360.0 * f_hz * offset_s)
        .collect();
    unwrap_deg(&mut phase_deg);
    let levels_db = resampling
        .of_powers(&powers)
        .into_iter()
        .collect::<Option<Vec<f64>>>()?;
    let step_hz = bins.first_hz();
    let phase_deg = grid
        .freqs_hz()
        .iter()
        .map(|f_hz| {
            let at = f_hz / step_hz - 1.0;
            let below = (at.floor().max(0.0) as usize).min(phase_deg.len() - 2);
            let share = at - below as f64;
            phase_deg[below] + share * (phase_deg[below + 1] - phase_deg[below])
        })
        .collect();
    Some((levels_db, phase_deg))
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    /// A first-order low-pass at `corner_hz` that begins at sample `delay`, by its recursion.
    fn low_pass(corner_hz: f64, delay: usize, length: usize, gain: f64) -> Vec<f64> {
        let pole = (-2.0 * std::f64::consts::PI * corner_hz / RATE_HZ).exp();
        let mut samples = vec![0.0; length];
        let mut value = gain * (1.0 - pole);
        for slot in samples.iter_mut().skip(delay) {
            *slot = value;
            value *= pole;
        }
        samples
    }

    /// Its response in closed form: gain (1 - p) / (1 - p e^{-j w}).
    fn response(corner_hz: f64, f_hz: f64) -> Complex<f64> {
        let pole = (-2.0 * std::f64::consts::PI * corner_hz / RATE_HZ).exp();
        let omega_rad = 2.0 * std::f64::consts::PI * f_hz / RATE_HZ;
        Complex::new(1.0 - pole, 0.0) / (1.0 - pole * Complex::from_polar(1.0, -omega_rad))
    }

    fn impulse(samples: Vec<f64>) -> Impulse {
        Impulse {
            samples,
            starts_s: 0.0,
        }
    }

    #[test]
    fn level_and_phase_are_those_of_the_closed_form() {
        let spectra = spectra(
            &[impulse(low_pass(1000.0, 480, 9600, 1.0))],
            RATE_HZ,
            Wanted::default(),
        )
        .unwrap();
        assert!((spectra.gate.onset_s - 0.01).abs() < 1e-9);
        assert!(!spectra.gate.reflection);
        let (levels_db, phase_deg) = &spectra.rows[0];
        for (i, f_hz) in spectra.grid.freqs_hz().iter().enumerate() {
            let wanted = response(1000.0, *f_hz);
            let wanted_db = 20.0 * wanted.norm().log10();
            assert!((levels_db[i] - wanted_db).abs() < 0.005, "{f_hz} Hz");
            assert!(
                (phase_deg[i] - wanted.arg().to_degrees()).abs() < 0.05,
                "{f_hz} Hz: {}",
                phase_deg[i]
            );
        }
    }

    #[test]
    fn an_angle_that_arrives_later_keeps_its_delay() {
        let early = impulse(low_pass(3000.0, 480, 4800, 1.0));
        let late = impulse(low_pass(3000.0, 492, 4800, 1.0));
        // The same sound, told by a clock that starts a fraction of a sample later.
        let shifted = Impulse {
            samples: low_pass(3000.0, 480, 4800, 1.0),
            starts_s: 12.25 / RATE_HZ,
        };
        let spectra = spectra(&[early, late, shifted], RATE_HZ, Wanted::default()).unwrap();
        for (i, f_hz) in spectra.grid.freqs_hz().iter().enumerate() {
            let phase = |row: usize| spectra.rows[row].1[i];
            for (row, samples) in [(1, 12.0), (2, 12.25)] {
                let wanted_deg = -360.0 * f_hz * samples / RATE_HZ;
                let found_deg = phase(row) - phase(0);
                assert!((found_deg - wanted_deg).abs() < 0.05, "{f_hz} Hz {row}");
            }
        }
    }

    #[test]
    fn a_reflection_ends_the_gate_before_it_arrives() {
        let mut samples = low_pass(5000.0, 96, 9600, 1.0);
        // Six milliseconds later, 8 dB down, as from a floor.
        for (slot, value) in samples
            .iter_mut()
            .zip(low_pass(4000.0, 96 + 288, 9600, 0.4))
        {
            *slot += value;
        }
        let spectra = spectra(&[impulse(samples)], RATE_HZ, Wanted::default()).unwrap();
        assert!(spectra.gate.reflection);
        let late_s = 0.006 - spectra.gate.length_s;
        assert!((0.0..PIECE_S + 1e-9).contains(&late_s), "{late_s}");
        let (levels_db, _) = &spectra.rows[0];
        for (i, f_hz) in spectra.grid.freqs_hz().iter().enumerate() {
            if *f_hz > 2.0 * spectra.gate.trusted_from_hz() {
                let wanted_db = 20.0 * response(5000.0, *f_hz).norm().log10();
                assert!((levels_db[i] - wanted_db).abs() < 0.05, "{f_hz} Hz");
            }
        }
    }

    #[test]
    fn what_is_silent_or_too_short_has_no_spectrum() {
        let none =
            |samples: Vec<f64>| spectra(&[impulse(samples)], RATE_HZ, Wanted::default()).is_none();
        assert!(none(vec![0.0; 4800]));
        assert!(none(vec![1.0; 8]));
        assert!(none(Vec::new()));
    }
}
