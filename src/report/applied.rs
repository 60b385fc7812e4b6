//! What `planish apply` says.

use crate::apply::{Applied, Written};
use crate::device::Number;
use crate::units::amplitude_to_db;
use std::fmt::Write;

/// The whole text: what was done, and what did not fit.
pub fn text(applied: &Applied) -> String {
    let stages = match applied.stages {
        1 => "1 stage".to_string(),
        n => format!("{n} stages"),
    };
    let arithmetic = match applied.number {
        Number::F32 => "32-bit floating point".to_string(),
        number @ Number::Fixed { .. } => format!("words of {number}"),
        Number::F64 | Number::None => "64-bit floating point".to_string(),
    };
    let mut out = format!(
        "{}: {stages} and {:+.2} dB in front, computed in {arithmetic}\n",
        applied.speaker, applied.gain_db
    );
    let format = &applied.input_format;
    let _ = writeln!(
        out,
        "  read     {}: {:.3} s, {} Hz, {}, {}",
        applied.input.display(),
        applied.ending.frames as f64 / f64::from(format.rate_hz),
        format.rate_hz,
        match format.channels {
            1 => "1 channel".to_string(),
            n => format!("{n} channels"),
        },
        format.sample
    );
    out += &written("written", &applied.output);
    if let Some(twin) = &applied.twin {
        out += &written("twin", &twin.output);
        let _ = writeln!(
            out,
            "           unfiltered at {:+.2} dB: {} LUFS, as loud as the filtered programme\n           ({:.2} LUFS; {:.2} LUFS before; ITU-R BS.1770)",
            twin.gain_db,
            twin.lufs
                .map_or("-".to_string(), |lufs| format!("{lufs:.2}")),
            twin.filtered_lufs,
            twin.unfiltered_lufs
        );
    }
    for warning in warnings(applied) {
        let _ = writeln!(out, "\nwarning: {warning}");
    }
    out
}

fn written(word: &str, written: &Written) -> String {
    let peak = if written.levels.peak > 0.0 {
        format!("{:+.2} dB", amplitude_to_db(written.levels.peak))
    } else {
        "silence".to_string()
    };
    format!(
        "  {word:<7}  {}: {}{}, peak {peak}\n",
        written.path.display(),
        written.format.sample,
        if written.dithers { " with dither" } else { "" },
    )
}

/// Everything that the listener must know before believing the result; each in a few lines.
pub fn warnings(applied: &Applied) -> Vec<String> {
    let mut out = Vec::new();
    if let Some(cut) = applied.ending.cut {
        out.push(format!("{}: {cut}", applied.input.display()));
    }
    let rate_hz = f64::from(applied.input_format.rate_hz);
    if !applied.saturations.is_empty() {
        let mut text = "words saturated inside the device:".to_string();
        for seen in &applied.saturations {
            let node = match seen.stage {
                0 => "the input".to_string(),
                n => format!("stage {n}"),
            };
            let _ = write!(
                text,
                "\n  {node}: {}, first at {:.4} s in channel {}",
                samples(seen.samples),
                seen.first_frame as f64 / rate_hz,
                seen.first_channel
            );
        }
        text += "\n  lower the level in front of the device";
        out.push(text);
    }
    let outputs = [
        Some(&applied.output),
        applied.twin.as_ref().map(|t| &t.output),
    ];
    out.extend(outputs.into_iter().flatten().filter_map(overs));
    out
}

fn overs(written: &Written) -> Option<String> {
    let levels = &written.levels;
    if levels.overs() == 0 {
        return None;
    }
    let is_float = written.format.sample.is_float();
    let mut text = format!(
        "{}: {} beyond full scale {}",
        written.path.display(),
        samples(levels.overs()),
        if is_float {
            "(the file holds them, a converter will cut them)"
        } else {
            "clipped"
        }
    );
    let rate_hz = f64::from(written.format.rate_hz);
    for (channel, seen) in (1..).zip(&levels.channels) {
        if seen.samples > 0 {
            let _ = write!(
                text,
                "\n  channel {channel}: {}, first at {:.4} s, largest {:+.2} dB at {:.4} s",
                samples(seen.samples),
                seen.first_frame as f64 / rate_hz,
                amplitude_to_db(seen.largest),
                seen.largest_frame as f64 / rate_hz
            );
        }
    }
    // Rounded up, so that the stated level is enough.
    let down_db = (amplitude_to_db(levels.peak) * 10.0).ceil() / 10.0;
    let _ = write!(text, "\n  lower the input by {down_db:.1} dB");
    if !is_float {
        text += ", or write 32-bit float (--format f32), which holds them";
    }
    Some(text)
}

fn samples(count: u64) -> String {
    match count {
        1 => "1 sample".to_string(),
        n => format!("{n} samples"),
    }
}
