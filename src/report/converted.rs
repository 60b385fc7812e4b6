//! What `planish convert` says.

use super::text::{for_terminal, wrapped};
use crate::audit::spoken_hz;
use crate::convert::{Converted, Difference, Way};
use crate::device::Number;
use std::fmt::Write;
use std::path::Path;

/// What became of a list; `written` is the file it went to.
pub fn text(converted: &Converted, written: Option<&Path>) -> String {
    let list = &converted.list;
    let mut out = wrapped(
        &format!(
            "{}: {} for {} at {} Hz, {}.",
            for_terminal(&list.speaker),
            super::statement::stages_words(list.stages.len()),
            for_terminal(&converted.device),
            list.rate_hz,
            match list.number {
                Number::None => "knobs".to_string(),
                number => number.to_string(),
            }
        ),
        0,
    );
    out += &wrapped(
        match &converted.way {
            Way::Kept => "The numbers are those of the list, to the bit.",
            Way::Recomputed => "The numbers were computed anew from f0, gain and Q.",
            Way::Refitted { .. } => "The device's own stages were fitted to what the list does.",
        },
        2,
    );
    if let Way::Refitted { because } = &converted.way {
        for obstacle in because.iter().take(SPOKEN) {
            out += &wrapped(&format!("- {obstacle}"), 4);
        }
        if because.len() > SPOKEN {
            out += &wrapped(
                &format!("- and {} more of the kind", because.len() - SPOKEN),
                4,
            );
        }
    }
    for change in &converted.changes {
        out += &wrapped(&format!("{}.", capital(&change.to_string())), 2);
    }
    out += &wrapped(&difference(&converted.difference, &converted.way), 2);
    if list.number == Number::None {
        out += &wrapped(
            &format!(
                "Set a level of {:.1} dB in front of the stages.",
                list.gain_db
            ),
            2,
        );
        out += &knobs(converted);
    }
    if let Some(path) = written {
        let _ = writeln!(out, "wrote {}", path.display());
    }
    out
}

/// Reasons that are told one by one.
const SPOKEN: usize = 4;

fn difference(found: &Difference, way: &Way) -> String {
    let mut out = String::new();
    if found.level_db.abs() >= 0.05 {
        out += &format!("It is {:+.1} dB as loud as the list. ", found.level_db);
    }
    let band = format!(
        "from {} to {}",
        spoken_hz(found.from_hz),
        spoken_hz(found.to_hz)
    );
    if found.is_none() {
        out += &format!(
            "The response is that of the list within {:.3} dB {band}.",
            (found.largest_db.abs() * 1000.0).ceil() / 1000.0
        );
        return out;
    }
    out += &format!(
        "The response differs from that of the list by {:+.2} dB at {} at most, {:.2} dB rms {band}",
        found.largest_db,
        spoken_hz(found.largest_hz),
        found.rms_db
    );
    match found.same_hz {
        Some((from_hz, to_hz)) => {
            out += &format!(
                "; it is the same within {} dB from {} to {}.",
                crate::convert::difference::SAME_DB,
                spoken_hz(from_hz),
                spoken_hz(to_hz)
            );
        }
        None => out.push('.'),
    }
    if matches!(way, Way::Recomputed) {
        out += " A digital filter is squeezed towards half its rate, so the same settings differ \
                near the top; --refit moves them to come nearer.";
    }
    out
}

/// What is to be set, for devices that are set by hand.
fn knobs(converted: &Converted) -> String {
    let mut out = format!(
        "      {:<9}  {:>9}  {:>8}  {:>6}\n",
        "type", "f0 Hz", "gain dB", "Q"
    );
    for (number, listed) in (1..).zip(&converted.list.stages) {
        let stage = &listed.stage;
        let gain = if stage.kind.has_gain() {
            format!("{:+.2}", stage.gain_db)
        } else {
            "-".into()
        };
        let _ = writeln!(
            out,
            "  {number:>2}  {:<9}  {:>9}  {gain:>8}  {:>6}",
            stage.kind.name(),
            (stage.f0_hz * 100.0).round() / 100.0,
            (stage.q * 1000.0).round() / 1000.0
        );
    }
    out
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().collect::<String>() + letters.as_str()
    })
}
