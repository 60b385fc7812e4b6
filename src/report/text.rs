//! What the commands print for people: at most 80 columns.

use super::owner;
use super::picture::{showable, without_controls};
use super::statement::{percent, stages_words, statement};
use super::{pair, room};
use crate::audit::{Decision, Finding, spoken_hz};
use crate::device::Device;
use crate::filter::Stage;
use crate::fit::Fit;
use crate::predict::Plan;
use crate::target::Target;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Widest line.
pub const COLUMNS: usize = 80;

/// Whether the reader is a terminal that shows colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paint {
    /// Letters only.
    Plain,
    /// Headings bold and decisions coloured, each still said in words.
    Coloured,
}

impl Paint {
    /// `text` in the look of `code`, a number of ECMA-48, 8.3.117 (select graphic rendition).
    pub(super) fn on(self, text: &str, code: u8) -> String {
        match self {
            Paint::Plain => text.to_string(),
            Paint::Coloured => format!("\u{1b}[{code}m{text}\u{1b}[0m"),
        }
    }
}

/// ECMA-48: bold.
pub(super) const BOLD: u8 = 1;

/// The terminal's own green, yellow and red (ECMA-48) for what was decided.
fn decision_code(decision: Decision) -> u8 {
    match decision {
        Decision::Correct => 32,
        Decision::Soften { .. } => 33,
        Decision::Leave => 31,
    }
}

/// `text` without letters that would do something to a terminal instead of being shown: controls,
/// and those that turn the direction of writing for the rest of the line.
pub fn for_terminal(text: &str) -> String {
    without_controls(text)
        .chars()
        .map(|letter| match letter {
            '\n' | '\r' | '\t' => ' ',
            '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => '\u{fffd}',
            _ => letter,
        })
        .collect()
}

/// `text` broken at blanks into lines of at most 80 columns, each behind `indent` blanks; words
/// longer than a line are broken where it ends.
pub fn wrapped(text: &str, indent: usize) -> String {
    let room = COLUMNS - indent;
    let mut out = String::new();
    let mut line = String::new();
    let mut close = |line: &mut String| {
        if !line.is_empty() {
            let _ = writeln!(out, "{:indent$}{line}", "");
            line.clear();
        }
    };
    for word in text.split_whitespace() {
        if !line.is_empty() && line.width() + 1 + word.width() > room {
            close(&mut line);
        }
        if !line.is_empty() {
            line.push(' ');
        }
        for letter in word.chars() {
            if line.width() + letter.width().unwrap_or(0) > room {
                close(&mut line);
            }
            line.push(letter);
        }
    }
    close(&mut line);
    out
}

/// Findings, yield within reach, and the statement.
pub fn audit(plan: &Plan, paint: Paint) -> String {
    let plan = &for_people(plan);
    let mut out = owner::contradictions_text(plan);
    for line in wrapped(&plan.speaker, 0).lines() {
        let _ = writeln!(out, "{}", paint.on(line, BOLD));
    }
    let judged = format!(
        "Target {}, judged from {} to {}",
        plan.target.name,
        spoken_hz(plan.audit.judged.from_hz),
        spoken_hz(plan.audit.judged.to_hz)
    );
    out += &wrapped(&judged, 0);
    out.push('\n');
    if plan.wish.findings.is_empty() {
        out += "Nothing worth speaking of.\n";
    } else {
        out += &findings_table(plan, paint);
        out.push('\n');
        for (number, finding) in (1..).zip(&plan.wish.findings) {
            out += &wrapped(&format!("{number}: {}.", finding.reason()), 2);
        }
    }
    out += &format!(
        "\nAudible deviation {:.1} dB rms before, {:.1} dB after\n",
        plan.deviation_before_db(),
        plan.deviation_after_db()
    );
    out += &format!(
        "Yield {} within a reach of {}, price {:.1} dB of headroom\n",
        percent(plan.prediction.yield_share),
        percent(plan.reach),
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
    out += &room::text(plan);
    out += &pair::text(plan);
    out.push('\n');
    out += &wrapped(&statement(plan), 0);
    out += &owner::situation_text(plan);
    out
}

/// The plan with every name made fit for a terminal.
fn for_people(plan: &Plan) -> Plan {
    let mut plan = showable(plan);
    for name in [
        &mut plan.speaker,
        &mut plan.target.name,
        &mut plan.device.name,
    ] {
        *name = for_terminal(name);
    }
    plan
}

fn findings_table(plan: &Plan, paint: Paint) -> String {
    let heading = format!(
        "{:>2}  {:>8}  {:>7}  {:>7}  {:>4}  {:>9}  {:<13}  decision",
        "", "at", "size dB", "room dB", "Q", "spread dB", "cause"
    );
    let mut out = paint.on(&heading, BOLD);
    out.push('\n');
    let number = |value: Option<f64>| value.map_or("-".to_string(), |v| format!("{v:.1}"));
    for (place, f) in (1..).zip(&plan.wish.findings) {
        let room = f.in_room_size_db;
        let _ = writeln!(
            out,
            "{:>2}  {:>8}  {:>+7.1}  {:>7}  {:>4}  {:>9}  {:<13}  {}",
            place,
            spoken_hz(f.peak_hz),
            f.size_db,
            room.map_or("-".to_string(), |v| format!("{v:+.1}")),
            number(f.q),
            number(f.spread_db),
            f.cause.name(),
            paint.on(&decision(f), decision_code(f.decision)),
        );
    }
    out
}

fn decision(finding: &Finding) -> String {
    match finding.decision {
        Decision::Soften { .. } => format!("soften {:.0} %", 100.0 * finding.decision.share()),
        other => other.name().to_string(),
    }
}

/// What a plan decided and where it was written.
pub fn plan(plan: &Plan, written: &[PathBuf]) -> String {
    let plan = &for_people(plan);
    let mut out = owner::contradictions_text(plan);
    out += &wrapped(&statement(plan), 0);
    out += &owner::asked_text(plan);
    out.push('\n');
    out += &filter_table(&plan.stages(), plan.prediction.bank.gain_db);
    out += &unheld(&plan.fit);
    out += &room::text(plan);
    out += &pair::text(plan);
    out.push('\n');
    let held = format!("For {} at {} Hz.", plan.device.name, plan.device.rate_hz);
    out += &wrapped(&format!("{held} Written:"), 0);
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

/// What was written where.
pub fn written(paths: &[PathBuf]) -> String {
    let mut out = String::from("Written:\n");
    for path in paths {
        let _ = writeln!(out, "  {}", path.display());
    }
    out
}

/// The demo folders that were written.
pub fn demo(folders: &[PathBuf]) -> String {
    let mut out = written(folders);
    let first: &Path = folders.first().map_or(Path::new("."), |p| p);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_the_terminal_whatever_the_words() {
        let long = "Lang".repeat(75);
        let wide = "\u{1f50a}".repeat(90);
        for text in [
            long.as_str(),
            &wide,
            "a short one",
            &format!("x {long} y {wide} z"),
        ] {
            for indent in [0, 2, 6] {
                let lines = wrapped(text, indent);
                assert!(lines.lines().all(|line| line.width() <= COLUMNS), "{lines}");
                let squeezed = |t: &str| t.split_whitespace().collect::<String>();
                assert_eq!(squeezed(&lines), squeezed(text));
            }
        }
        assert_eq!(wrapped("", 2), "");
    }

    #[test]
    fn a_name_cannot_drive_the_terminal() {
        assert_eq!(
            for_terminal("a\u{1b}[31m\u{202e}b\nc"),
            "a\u{fffd}[31m\u{fffd}b c"
        );
    }
}
