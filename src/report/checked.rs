//! What `planish check` says.

use super::text::wrapped;
use crate::audit::spoken_hz;
use crate::check::after::After;
use crate::check::{Comparison, NamedFault, Soundness};
use crate::filter_list::FilterList;
use std::fmt::Write;

/// A list on its own, and against a measurement where there is one.
pub fn text(list: &FilterList, sound: &Soundness, compared: Option<&Comparison>) -> String {
    let mut out = wrapped(
        &format!(
            "{}: {} at {} Hz, {}",
            list.speaker,
            super::statement::stages_words(list.stages.len()),
            list.rate_hz,
            match list.number {
                crate::device::Number::None => "knobs".to_string(),
                number => number.to_string(),
            }
        ),
        0,
    );
    out.push('\n');
    if let Some(compared) = compared {
        out += &verdict(compared);
        out.push('\n');
    }
    out += if sound.is_sound() {
        "The list is sound.\n"
    } else {
        "The list is not sound.\n"
    };
    for problem in &sound.problems {
        out += &wrapped(&format!("{problem}."), 2);
    }
    for note in &sound.notes {
        out += &wrapped(&format!("{note}."), 2);
    }
    out.push('\n');
    out += &stages(sound);
    out
}

fn stages(sound: &Soundness) -> String {
    let mut out = format!(
        "      {:<9}  {:>9}  {:>8}  {:>6}  {:>10}  {:>8}  {:>8}\n",
        "type", "f0", "gain dB", "Q", "pole", "off dB", "peak dB"
    );
    for (number, check) in (1..).zip(&sound.stages) {
        let stage = &check.stage;
        let gain = if stage.kind.has_gain() {
            format!("{:+.2}", stage.gain_db)
        } else {
            "-".into()
        };
        let off = check
            .difference
            .map_or("-".into(), |(db, _)| format!("{:.3}", db.abs()));
        let _ = writeln!(
            out,
            "  {number:>2}  {:<9}  {:>9}  {gain:>8}  {:>6.3}  {:>10.7}  {off:>8}  {:>+8.2}",
            stage.kind.name(),
            spoken_hz(stage.f0_hz),
            stage.q,
            check.pole_radius,
            check.node_peak_db,
        );
    }
    out.push('\n');
    out += &wrapped(
        "pole: its distance from the origin, stable below 1. off: numbers against parameters. \
         peak: a sine behind this stage, re full scale.",
        2,
    );
    let _ = writeln!(
        out,
        "\nGain in front {:.2} dB; the cascade peaks at {:+.2} dB.",
        sound.gain_db,
        // A peak a hair below zero is zero.
        if sound.peak_db.abs() < 0.005 {
            0.0
        } else {
            sound.peak_db
        }
    );
    if let Some(grid) = &sound.grid {
        let noise = grid.noise_db.map_or("not to be had".into(), |n| {
            format!("{n:.1} dB re a full-scale sine")
        });
        out += &wrapped(
            &format!(
                "Numbers lie on a grid of {:.3e} from {} to {:.6}. Noise at the output: {noise} \
                 (direct form 1, each stage rounded once to that grid, white and independent).",
                grid.step, grid.lowest, grid.highest
            ),
            0,
        );
        let inner = sound
            .stages
            .iter()
            .map(|s| s.inner_peak_db)
            .fold(f64::NEG_INFINITY, f64::max);
        out += &wrapped(
            &format!("In direct form 2 the delay lines would reach {inner:+.1} dB re full scale."),
            0,
        );
    }
    out
}

fn verdict(compared: &Comparison) -> String {
    let (db, hz) = compared.largest;
    let band = format!(
        "judged from {} to {}",
        spoken_hz(compared.from_hz),
        spoken_hz(compared.to_hz)
    );
    let mut out = String::new();
    if compared.matches {
        out += &wrapped(
            &format!(
                "The device does what the list says: the largest difference is {:.2} dB at {}, {band}.",
                db.abs(),
                spoken_hz(hz)
            ),
            0,
        );
    } else if compared.sensible {
        out += &wrapped(
            &format!(
                "The device does not do what the list says: it differs by {db:+.2} dB at {}, {band}.",
                spoken_hz(hz)
            ),
            0,
        );
    } else {
        out += &wrapped(
            &format!(
                "Nothing sensible was measured: neighbouring points scatter by {:.1} dB, which no \
                 filter does. The device oscillates, clips or is silent, or the file is no response.",
                compared.noise_db
            ),
            0,
        );
    }
    out += &wrapped(&surroundings(compared), 2);
    if compared.gain_may_be_missing {
        out += &wrapped(
            "The level found is just the one that a missing gain in front would give; measure \
             with a known level and --absolute to be sure.",
            2,
        );
    }
    if compared.matches {
        return out;
    }
    out.push('\n');
    if compared.faults.is_empty() {
        out += &wrapped(
            "None of the known faults explains it: measure the interface alone in the same way, \
             and see that list and measurement belong together.",
            0,
        );
        return out;
    }
    for (number, fault) in (1..).zip(&compared.faults) {
        out += &wrapped(&format!("{number}. {}", fault_words(fault)), 0);
        out += &wrapped(&fault.fault.advice(), 3);
    }
    if compared
        .faults
        .iter()
        .filter(|f| f.fits && f.with.is_empty())
        .count()
        > 1
    {
        out += &wrapped(
            "More than one of these predict the same within the noise; all that fit are marked so.",
            0,
        );
    }
    out
}

fn surroundings(compared: &Comparison) -> String {
    let interface = &compared.interface;
    let mut parts = vec![if compared.absolute {
        "Level as measured".to_string()
    } else {
        format!("Level {:+.2} dB, which is free", interface.level_db)
    }];
    if let Some(roll) = interface.high_pass {
        parts.push(format!("roll-off below {:.0} Hz", roll.corner_hz));
    }
    if let Some(roll) = interface.low_pass {
        parts.push(format!("roll-off above {:.1} kHz", roll.corner_hz / 1000.0));
    }
    format!(
        "{}; noise {:.3} dB a point; differences up to {:.2} dB are no alarm.",
        parts.join(", "),
        compared.noise_db,
        compared.limit_db
    )
}

fn fault_words(named: &NamedFault) -> String {
    let mut text = format!("{}: {}", named.fault.name(), named.fault);
    if let [other, ..] = named.with.as_slice() {
        text += &format!(", together with {} ({other})", other.name());
    }
    match (named.explains, named.left_db) {
        (Some(share), Some(left_db)) => {
            text += &format!(
                "; explains {:.1} %, leaves {left_db:.2} dB rms",
                100.0 * share
            );
            if named.fits {
                text += ", fits";
            }
        }
        _ => text += "; possible, since the device is unstable then and has no steady response",
    }
    if named.unstable && named.explains.is_some() {
        text += "; the device would be unstable";
    }
    text + "."
}

/// The speaker measured again.
pub fn after_text(speaker: &str, after: &After) -> String {
    let mut out = wrapped(
        &format!(
            "{speaker}: {}, judged from {} to {}; level {:+.2} dB, which is free.",
            if after.matches {
                "the curves came out as predicted"
            } else {
                "the curves did not come out as predicted"
            },
            spoken_hz(after.from_hz),
            spoken_hz(after.to_hz),
            after.level_db
        ),
        0,
    );
    let _ = writeln!(
        out,
        "\n  {:<20}  {:>6}  {:>10}  {:>9}  agrees",
        "curve", "rms dB", "largest dB", "at"
    );
    for curve in &after.curves {
        let agrees = curve
            .agrees_hz
            .map_or("nowhere".into(), |(from_hz, to_hz)| {
                format!("{} to {}", spoken_hz(from_hz), spoken_hz(to_hz))
            });
        let _ = writeln!(
            out,
            "  {:<20}  {:>6.2}  {:>+10.2}  {:>9}  {agrees}",
            curve.name,
            curve.rms_db,
            curve.largest.0,
            spoken_hz(curve.largest.1)
        );
    }
    out.push('\n');
    out += &wrapped(
        &format!(
            "Curves agree where they differ by no more than {} dB, smoothed to a sixth of an octave.",
            crate::check::after::AGREE_DB
        ),
        2,
    );
    out
}
