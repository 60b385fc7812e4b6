//! The measurement of a device, from its input to its output: a table (`freq_hz`, `level_db` and,
//! if given, `phase_deg`), or a WAV file with the impulse response.

use super::disk::DiskFolder;
use super::input::{Input, opened};
use super::orbits::ONE_ANGLE;
use super::table::Table;
use crate::check::Loopback;
use crate::check::loopback::{JUDGED_FROM_HZ, JUDGED_TO_HZ, POINTS_PER_OCTAVE};
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::wav::{Reader, read_to_end};
use std::f64::consts::PI;
use std::path::Path;

/// Reads a loopback from the disk; a file ending in `.wav` is taken for an impulse response.
///
/// # Errors
/// When the file cannot be read or is neither.
pub fn read(file: &Path) -> Result<Loopback> {
    read_from(&DiskFolder::here(), file)
}

/// [`read`] from the file `name` of `input`.
///
/// # Errors
/// As [`read`].
pub fn read_from(input: &dyn Input, name: &Path) -> Result<Loopback> {
    let is_wav = name
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("wav"));
    if is_wav {
        impulse(input, name)
    } else {
        table(input, name)
    }
}

fn table(input: &dyn Input, name: &Path) -> Result<Loopback> {
    let table = Table::read(input, name, &ONE_ANGLE)?;
    let mut columns = table.columns.into_iter();
    Ok(Loopback {
        freqs_hz: table.freqs_hz,
        levels_db: columns.next().unwrap_or_default(),
        phase_deg: columns.next(),
    })
}

/// Longer files are no impulse responses: one minute at 192 kHz.
const MOST_FRAMES: u64 = 60 * 192_000;
/// What lies more than this before the peak is left out, s: distortion of a sweep stands there.
const BEFORE_S: f64 = 0.005;
/// What lies more than this after the peak is left out, s: noise. A resonance of 20 Hz and Q 10
/// has fallen by 100 dB before.
const AFTER_S: f64 = 2.0;
/// The last part of the piece is faded out, as a share of it.
const FADE: f64 = 0.1;

fn impulse(input: &dyn Input, name: &Path) -> Result<Loopback> {
    let file = &input.shown(name);
    let (_, reader) = opened(input, name, "a WAV file")?;
    let recording = read_to_end(Reader::new(file, reader)?, MOST_FRAMES)?;
    let rate_hz = f64::from(recording.format.rate_hz);
    let peak = |samples: &[f64]| {
        samples
            .iter()
            .enumerate()
            .map(|(i, x)| (i, x.abs()))
            .fold(
                (0, 0.0),
                |best, next| if next.1 > best.1 { next } else { best },
            )
    };
    // The channel with the highest peak; the others hold nothing or a reference.
    let (samples, (at, height)) = (0..usize::from(recording.format.channels))
        .map(|index| recording.channel(index))
        .map(|samples| {
            let found = peak(&samples);
            (samples, found)
        })
        .fold((Vec::new(), (0, 0.0)), |best, next| {
            if next.1.1 > best.1.1 { next } else { best }
        });
    if height <= 0.0 {
        return Err(Error::in_file(file, "silence", "an impulse response"));
    }
    let from = at.saturating_sub((BEFORE_S * rate_hz) as usize);
    let to = samples.len().min(at + (AFTER_S * rate_hz) as usize);
    let mut piece = samples[from..to].to_vec();
    let fade = ((FADE * piece.len() as f64) as usize).max(1);
    let count = piece.len();
    for (i, x) in piece.iter_mut().enumerate().skip(count - fade) {
        *x *= 0.5 + 0.5 * (PI * (i + fade - count) as f64 / fade as f64).cos();
    }
    // A piece shows nothing below the frequency of which it holds one period.
    let lowest_hz = JUDGED_FROM_HZ.max(rate_hz / count as f64);
    let highest_hz = JUDGED_TO_HZ.min(0.49 * rate_hz);
    if lowest_hz >= 0.5 * highest_hz {
        return Err(Error::in_file(
            file,
            format!("{:.4} s of sound", count as f64 / rate_hz),
            "an impulse response of 0.05 s or more",
        ));
    }
    let grid = Grid::logarithmic(lowest_hz, highest_hz, POINTS_PER_OCTAVE);
    let (levels_db, phase_deg) = grid
        .freqs_hz()
        .iter()
        .map(|f_hz| {
            let (re, im) = spectrum(&piece, 2.0 * PI * f_hz / rate_hz, at - from);
            (
                10.0 * (re * re + im * im).max(f64::MIN_POSITIVE).log10(),
                im.atan2(re).to_degrees(),
            )
        })
        .unzip();
    Ok(Loopback {
        freqs_hz: grid.freqs_hz().to_vec(),
        levels_db,
        phase_deg: Some(phase_deg),
    })
}

/// Samples after which the turning phasor is set anew, so that its rounding does not add up.
const BLOCK: usize = 256;

/// The Fourier transform of `samples` at one frequency, time counted from sample `origin`.
fn spectrum(samples: &[f64], omega_rad: f64, origin: usize) -> (f64, f64) {
    let (sin, cos) = omega_rad.sin_cos();
    let (mut sum_re, mut sum_im) = (0.0, 0.0);
    for (block, chunk) in samples.chunks(BLOCK).enumerate() {
        let start = (block * BLOCK) as f64 - origin as f64;
        let (mut im, mut re) = (-omega_rad * start).sin_cos();
        for x in chunk {
            sum_re += x * re;
            sum_im += x * im;
            (re, im) = (re * cos + im * sin, im * cos - re * sin);
        }
    }
    (sum_re, sum_im)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::{Bank, Kind, Stage};

    #[test]
    fn a_sound_file_that_holds_no_frame_is_silence() {
        // Two channels and no sample. Found by fuzzing.
        let header = b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0\x03\0\x02\0\x80\xbb\0\0\0\xdc\x05\0\x08\0\x20\0data\0\0\0\0";
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("loop.wav");
        std::fs::write(&path, header).unwrap();
        let message = read(&path).unwrap_err().to_string();
        assert!(message.contains("found silence"), "{message}");
    }

    #[test]
    fn the_spectrum_of_a_filtered_impulse_is_the_filters_response() {
        let stage = Stage {
            kind: Kind::Peaking,
            f0_hz: 300.0,
            gain_db: 6.0,
            q: 3.0,
        };
        let bank = Bank {
            rate_hz: 48000.0,
            gain_db: -2.0,
            sections: vec![stage.biquad(48000.0)],
        };
        let mut input = vec![0.0; 48000];
        input[100] = 1.0;
        let output = bank.run(&input);
        for f_hz in [40.0, 300.0, 310.0, 15000.0] {
            let (re, im) = spectrum(&output, 2.0 * PI * f_hz / 48000.0, 100);
            let wanted = bank.response(f_hz);
            assert!(
                (re - wanted.re).abs() < 1e-9 && (im - wanted.im).abs() < 1e-9,
                "{f_hz}"
            );
        }
    }
}
