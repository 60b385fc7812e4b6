//! `[impulses]`: one sound file with an impulse response per angle.

use super::document::{Section, Spot};
use super::found::Found;
use super::gated::{self, Impulse, Wanted};
use super::opened::Folder;
use super::orbits::Piece;
use super::patterns;
use super::understood::{Note, ReadAs};
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Orbit};
use crate::wav::Reader;
use std::path::{Path, PathBuf};

/// The largest sound file that is read, bytes: a minute of eight channels at 96 kHz is no impulse
/// response any more.
const MOST_BYTES: u64 = 64 << 20;

/// The longest gate, ms: no room is silent for longer, and no box rings for longer.
const LONGEST_GATE_MS: f64 = 10_000.0;

/// One angle's file.
struct Sound {
    file: PathBuf,
    direction: Direction,
    impulse: Impulse,
}

/// Reads what `[impulses]` names.
pub(super) fn read(folder: &mut Folder, section: &Section) -> Result<Found> {
    section.only(&["horizontal", "vertical", "gate_ms", "window_ms", "channel"])?;
    let gate = milliseconds(section, "gate_ms")?;
    let window = milliseconds(section, "window_ms")?;
    if let (Some(gate), Some(window)) = (&gate, &window)
        && window.value > gate.value
    {
        return Err(section.wrong(
            window.at,
            format!("a window_ms of {}", window.value),
            &format!("at most the gate's {} ms", gate.value),
        ));
    }
    let channel = section
        .get("channel")
        .map(|value| value.count())
        .transpose()?;
    let mut named = Vec::new();
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        named.extend(patterns::files(folder, section, orbit)?);
    }
    if named.is_empty() {
        return Err(
            section.incomplete("no pattern in [impulses]", "horizontal = \"h_{angle}.wav\"")
        );
    }
    let wanted = Wanted {
        gate_s: gate.as_ref().map(|spot| 1e-3 * spot.value),
        fade_s: window.as_ref().map(|spot| 1e-3 * spot.value),
    };
    let unusable = |found: String| section.incomplete(found, ONE_CLOCK);
    let (found, transformed) = transformed(folder, &named, (channel, wanted), unusable)?;
    // A tenth of a sample is rounding.
    if let Some(gate) = &gate
        && transformed.gate_s < 1e-3 * gate.value - 0.1 / transformed.rate_hz
    {
        return Err(section.wrong(
            gate.at,
            format!("a gate_ms of {}", gate.value),
            &format!(
                "at most {:.2} ms, which the shortest file holds after the onset",
                1e3 * transformed.gate_s
            ),
        ));
    }
    Ok(found)
}

/// Reads the sound files of `named` directions, gate and window found from them.
pub(super) fn by_name(folder: &mut Folder, named: &[(Direction, String)]) -> Result<Found> {
    let root = folder.input.root().to_path_buf();
    let unusable = |found: String| Error::in_file(&root, found, ONE_CLOCK);
    let how = (None, Wanted::default());
    Ok(transformed(folder, named, how, unusable)?.0)
}

/// What sound files must be.
const ONE_CLOCK: &str = "impulse responses that share one clock";

/// How the sounds were transformed.
struct Transformed {
    rate_hz: f64,
    /// Length of the gate.
    gate_s: f64,
}

/// The measurement in the sound files of `named` directions; their paths are relative to the
/// speaker folder. `unusable` places the error that none of them holds a sound.
fn transformed(
    folder: &mut Folder,
    named: &[(Direction, String)],
    (channel, wanted): (Option<usize>, Wanted),
    unusable: impl FnOnce(String) -> Error,
) -> Result<(Found, Transformed)> {
    let (sounds, rate_hz) = sounds(folder, named, channel)?;
    let (files, impulses): (Vec<(PathBuf, Direction)>, Vec<Impulse>) = sounds
        .into_iter()
        .map(|sound| ((sound.file, sound.direction), sound.impulse))
        .unzip();
    let spectra = gated::spectra(&impulses, rate_hz, wanted)
        .ok_or_else(|| unusable(format!("no usable sound in {} files", files.len())))?;
    folder.notes.push(spectra.gate.note());
    let trusted_from_hz = spectra.gate.trusted_from_hz();
    let mut pieces: Vec<Piece> = Vec::new();
    for ((file, direction), (levels_db, phase_deg)) in files.into_iter().zip(spectra.rows) {
        pieces.push(Piece {
            file,
            grid: spectra.grid.clone(),
            members: vec![Member {
                direction,
                levels_db,
                phase_deg: Some(phase_deg),
                mirrored: false,
            }],
        });
    }
    let mut found = Found::joined(ReadAs::Impulses, pieces, &mut folder.notes)?;
    found.trusted_from_hz = Some(trusted_from_hz);
    let gate_s = spectra.gate.length_s;
    Ok((found, Transformed { rate_hz, gate_s }))
}

fn milliseconds(section: &Section, key: &str) -> Result<Option<Spot<f64>>> {
    match section.positive(key, "ms")? {
        Some(spot) if spot.value > LONGEST_GATE_MS => Err(section.wrong(
            spot.at,
            spot.value.to_string(),
            &format!("a {key} of at most {LONGEST_GATE_MS} ms"),
        )),
        other => Ok(other),
    }
}

/// All sounds, and the sampling rate they share.
fn sounds(
    folder: &mut Folder,
    named: &[(Direction, String)],
    channel: Option<usize>,
) -> Result<(Vec<Sound>, f64)> {
    let mut sounds: Vec<Sound> = Vec::new();
    let mut rate: Option<(u32, PathBuf)> = None;
    for (direction, name) in named {
        folder.below(name.as_ref())?;
        let (sound, rate_hz) = sound(folder, name.as_ref(), *direction, channel)?;
        match &rate {
            None => rate = Some((rate_hz, sound.file.clone())),
            Some((first_hz, first)) if *first_hz != rate_hz => {
                return Err(Error::in_file(
                    &sound.file,
                    format!("a rate of {rate_hz} Hz"),
                    format!("{first_hz} Hz as in {}", first.display()),
                ));
            }
            Some(_) => {}
        }
        sounds.push(sound);
    }
    Ok((sounds, rate.map_or(0.0, |(rate_hz, _)| f64::from(rate_hz))))
}

/// Which of the `channels` of a file is meant, from 0, where the user says `channel`, from 1.
fn channel_index(file: &Path, channel: Option<usize>, channels: usize) -> Result<usize> {
    match channel {
        None if channels > 1 => Err(Error::in_file(
            file,
            format!("{channels} channels"),
            "one channel, or channel = N (from 1) in [impulses]",
        )),
        Some(channel) if channel > channels => Err(Error::in_file(
            file,
            if channels == 1 {
                "1 channel".to_string()
            } else {
                format!("{channels} channels")
            },
            format!("a channel {channel}, as [impulses] says"),
        )),
        channel => Ok(channel.unwrap_or(1) - 1),
    }
}

fn sound(
    folder: &mut Folder,
    name: &Path,
    direction: Direction,
    channel: Option<usize>,
) -> Result<(Sound, u32)> {
    let file = folder.input.shown(name);
    let bytes = folder.bytes(name, MOST_BYTES, "a WAV file")?;
    let mut reader = Reader::new(&file, bytes.as_slice())?;
    let format = reader.format();
    let channels = usize::from(format.channels);
    let index = channel_index(&file, channel, channels)?;
    let (mut samples, mut block) = (Vec::new(), Vec::new());
    while reader.read(&mut block, BLOCK_FRAMES)? > 0 {
        let own = block.iter().skip(index).step_by(channels);
        let before = samples.len();
        samples.extend(own);
        folder.count(name, samples.len() - before)?;
    }
    // A cable that was not plugged in, with or without an offset; as a level it would be a null
    // that no speaker has.
    if samples.windows(2).all(|pair| pair[0] == pair[1]) {
        return Err(Error::in_file(
            &file,
            "nothing but silence",
            "an impulse response",
        ));
    }
    if let Some(cut) = reader.ending().and_then(|ending| ending.cut) {
        let file = file.clone();
        folder.notes.push(Note::CutShort { file, cut });
    }
    let sound = Sound {
        file,
        direction,
        impulse: Impulse {
            samples,
            starts_s: 0.0,
        },
    };
    Ok((sound, format.rate_hz))
}

/// Frames read at a time.
const BLOCK_FRAMES: usize = 4096;
