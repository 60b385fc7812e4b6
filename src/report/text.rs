//! What the commands print for people: at most 80 columns, no colour.

use super::statement::{percent, stages_words, statement};
use crate::audit::spoken_hz;
use crate::device::Device;
use crate::filter::Stage;
use crate::fit::Fit;
use crate::predict::Plan;
use crate::target::Target;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Widest line.
const COLUMNS: usize = 80;

/// `text` broken at blanks into lines of at most 80 columns, each behind `indent` blanks.
fn wrapped(text: &str, indent: usize) -> String {
    let mut out = String::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let length = line.chars().count() + 1 + word.chars().count();
        if !line.is_empty() && indent + length > COLUMNS {
            let _ = writeln!(out, "{:indent$}{line}", "");
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        let _ = writeln!(out, "{:indent$}{line}", "");
    }
    out
}

/// Findings, yield within reach, and the statement.
pub fn audit(plan: &Plan) -> String {
    let mut out = format!(
        "{}\nTarget {}, judged from {} to {}\n\n",
        plan.speaker,
        plan.target.name,
        spoken_hz(plan.audit.judged_from_hz),
        spoken_hz(plan.audit.judged_to_hz)
    );
    if plan.audit.findings.is_empty() {
        out += "Nothing worth speaking of.\n";
    } else {
        out += &findings_table(plan);
        out.push('\n');
        for finding in &plan.audit.findings {
            out += &wrapped(&format!("{}.", finding.reason()), 2);
        }
    }
    out += &format!(
        "\nYield {} within a reach of {}, price {:.1} dB of headroom\n",
        percent(plan.prediction.yield_share),
        percent(plan.audit.reach),
        plan.prediction.price_db
    );
    if let (Some(before), Some(after)) =
        (plan.prediction.rating_before, plan.prediction.rating_after)
    {
        out += &format!(
            "Preference rating (Olive 2004) {:.1} before, {:.1} after\n",
            before.preference, after.preference
        );
    }
    out.push('\n');
    out += &wrapped(&statement(plan), 0);
    out
}

fn findings_table(plan: &Plan) -> String {
    let mut out = format!(
        "  {:>9}  {:>8}  {:>8}  {:>5}  {:>7}  {:<13} {}\n",
        "at", "size dB", "room dB", "Q", "spread", "cause", "decision"
    );
    let number = |value: Option<f64>, digits: usize| {
        value.map_or("-".to_string(), |v| format!("{v:.digits$}"))
    };
    for f in &plan.audit.findings {
        let _ = writeln!(
            out,
            "  {:>9}  {:>+8.1}  {:>8}  {:>5}  {:>7}  {:<13} {}",
            spoken_hz(f.peak_hz),
            f.size_db,
            f.in_room_size_db
                .map_or("-".to_string(), |v| format!("{v:+.1}")),
            number(f.q, 1),
            number(f.spread_db, 1),
            f.cause.name(),
            match f.decision {
                crate::audit::Decision::Soften => format!("soften {:.0} %", 100.0 * f.share),
                other => other.name().to_string(),
            }
        );
    }
    out
}

/// What a plan decided and where it was written.
pub fn plan(plan: &Plan, written: &[PathBuf]) -> String {
    let mut out = wrapped(&statement(plan), 0);
    out.push('\n');
    out += &filter_table(&plan.fit.stages, plan.prediction.bank.gain_db);
    out += &unheld(&plan.fit);
    out += &format!(
        "\nFor {} at {} Hz. Written:\n",
        plan.device.name, plan.device.rate_hz
    );
    for path in written {
        let _ = writeln!(out, "  {}", path.display());
    }
    out.push('\n');
    out += &wrapped(&super::statement::CAUTIONS.join(" "), 0);
    out
}

fn filter_table(stages: &[Stage], gain_db: f64) -> String {
    let mut out = format!("  gain in front {gain_db:.1} dB\n");
    for (i, stage) in stages.iter().enumerate() {
        let _ = writeln!(
            out,
            "  {:>2}  {:<9}  {:>9}  {:>+6.2} dB  Q {:.3}",
            i + 1,
            stage.kind.name(),
            spoken_hz(stage.f0_hz),
            stage.gain_db,
            stage.q
        );
    }
    out
}

/// Stages that the device's numbers do not hold, and what became of them.
fn unheld(fit: &Fit) -> String {
    let mut out = String::new();
    for (i, stage) in fit.unheld.iter().enumerate() {
        let gap = if i == 0 { "\n" } else { "" };
        let _ = writeln!(out, "{gap}{}", wrapped(&stage.to_string(), 2).trim_end());
    }
    out
}

/// A fit of a wanted curve.
pub fn fit(fit: &Fit, device: &Device) -> String {
    let mut out = format!(
        "{} on {} leave {:.3} dB rms of the wanted curve; level {:+.2} dB\n\n",
        stages_words(fit.stages.len()),
        device.name,
        fit.rms_db,
        fit.level_db
    );
    for (i, stage) in fit.stages.iter().enumerate() {
        let _ = writeln!(
            out,
            "  {:>2}  {:<9}  {:>10.2} Hz  {:>+7.3} dB  Q {:.4}",
            i + 1,
            stage.kind.name(),
            stage.f0_hz,
            stage.gain_db,
            stage.q
        );
    }
    if let Some(rounded) = fit.rounded_rms_db {
        let _ = writeln!(
            out,
            "\nWithout the device's steps {:.3} dB, with plain rounding {rounded:.3} dB",
            fit.continuous_rms_db
        );
    }
    out += &unheld(fit);
    out += "\nWhat so many stages leave:\n\n  stages  rms dB\n";
    for rung in &fit.ladder {
        let _ = writeln!(out, "  {:>6}  {:.3}", rung.stages, rung.rms_db);
    }
    out
}

/// The demo folders that were written.
pub fn demo(written: &[PathBuf]) -> String {
    let mut out = String::from("Written:\n");
    for path in written {
        let _ = writeln!(out, "  {}", path.display());
    }
    let first: &Path = written.first().map_or(Path::new("."), |p| p);
    let _ = writeln!(out, "\nTry: planish plan {}", first.display());
    out
}

/// The built-in targets and devices.
pub fn list(targets: &[Target], devices: &[Device]) -> String {
    let mut out = String::from("Targets (--target)\n");
    for target in targets {
        let _ = writeln!(out, "  {}", target.name);
        out += &wrapped(&target.about, 6);
    }
    out += "\nDevices (--device)\n";
    for device in devices {
        let _ = writeln!(
            out,
            "  {}  ({}, {} Hz, {})",
            device.name,
            stages_words(device.stages),
            device.rate_hz,
            match device.number {
                crate::device::Number::None => "knobs".to_string(),
                number => number.to_string(),
            }
        );
        out += &wrapped(&device.about, 6);
    }
    out
}
