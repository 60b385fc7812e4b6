//! A speaker turned by several angles, as a table and in words.

use super::statement::percent;
use super::text::{BOLD, Paint, for_terminal, wrapped};
use crate::audit::spoken_hz;
use crate::predict::aims::{AimRow, Aims, TREBLE_HZ, heard_size_db};
use std::fmt::Write;

/// What `audit --aims` prints.
pub fn text(speaker: &str, aims: &Aims, paint: Paint) -> String {
    let mut out = String::new();
    for line in wrapped(&for_terminal(speaker), 0).lines() {
        let _ = writeln!(out, "{}", paint.on(line, BOLD));
    }
    out += &wrapped(&recommendation(aims), 0);
    out.push('\n');
    let heading = format!(
        "{:>5}  {:>13}  {:>9}  {:>12}  {:>5}  {:>5}  {:>8}  {:>6}",
        "aim", "treble dB/oct", "rough dB", "deviation dB", "reach", "yield", "price dB", "stages"
    );
    let _ = writeln!(out, "{}", paint.on(&heading, BOLD));
    for (place, row) in aims.rows.iter().enumerate() {
        let line = format!(
            "{:>5}  {:>13}  {:>9.2}  {:>12.2}  {:>5}  {:>5}  {:>8.1}  {:>6}",
            format!("{}", row.aim_deg),
            tilt(row),
            row.roughness_db,
            row.deviation_db,
            percent(row.reach),
            percent(row.yield_share),
            row.price_db,
            row.stages
        );
        let chosen = place == aims.recommended;
        let _ = writeln!(
            out,
            "{}{}",
            if chosen { paint.on(&line, BOLD) } else { line },
            if chosen { "  <-" } else { "" }
        );
    }
    out.push('\n');
    for sentence in notes(aims) {
        out += &wrapped(&sentence, 0);
    }
    out
}

fn tilt(row: &AimRow) -> String {
    row.treble_tilt_db_per_oct
        .map_or("-".into(), |tilt| format!("{tilt:+.2}"))
}

/// How far to turn the speaker before any EQ, and why.
pub fn recommendation(aims: &Aims) -> String {
    let best = aims.best();
    let Some(own) = aims.own() else {
        return String::new();
    };
    if best.aim_deg == 0.0 {
        return format!(
            "Aim it at the seat: no turn between {} and {} degrees lowers the audible deviation before EQ ({:.1} dB rms) by anything worth turning for.",
            aims.rows.first().map_or(0.0, |r| r.aim_deg),
            aims.rows.last().map_or(0.0, |r| r.aim_deg),
            own.deviation_db
        );
    }
    let mut text = format!(
        "Before any EQ, turn it so that you listen {} degrees to the {} side of its axis: the audible deviation falls from {:.1} to {:.1} dB rms",
        best.aim_deg.abs(),
        if best.aim_deg > 0.0 {
            "positive"
        } else {
            "negative"
        },
        own.deviation_db,
        best.deviation_db
    );
    if let (Some(from), Some(to)) = (own.treble_tilt_db_per_oct, best.treble_tilt_db_per_oct) {
        text += &format!(", the treble's tilt goes from {from:+.1} to {to:+.1} dB per octave");
    }
    let vanished = vanished_words(aims, best);
    if !vanished.is_empty() {
        text += &format!(", and what the axis alone had is gone: {vanished}");
    }
    text + "."
}

/// Places, sizes and causes of what is no longer found at `row`.
pub fn vanished_words(aims: &Aims, row: &AimRow) -> String {
    let words: Vec<String> = row
        .vanished
        .iter()
        .filter_map(|place| aims.findings.get(*place))
        .map(|f| {
            format!(
                "{} ({:+.1} dB, {})",
                spoken_hz(f.peak_hz),
                heard_size_db(f),
                f.cause
            )
        })
        .collect();
    words.join(", ")
}

/// What the table means and what it does not show, one sentence each.
pub fn notes(aims: &Aims) -> Vec<String> {
    let mut notes: Vec<String> = aims
        .rows
        .iter()
        .filter(|row| !row.vanished.is_empty())
        .map(|row| format!("Gone at {}: {}.", row.aim_deg, vanished_words(aims, row)))
        .collect();
    notes.push(format!(
        "Treble: slope of the listening window from {} to {}. Rough: its deviation from its own octave-wide trend. Deviation: from the target, before any EQ, judged over the band of the speaker's own axis. All round the new axis; horizontal angles as measured or between neighbours, vertical ones as measured over the speaker's own axis and shifted, which is an approximation; sound power stays. The price of the filters at each aim is their headroom.",
        spoken_hz(TREBLE_HZ.0),
        spoken_hz(TREBLE_HZ.1)
    ));
    if !aims.not_measured_deg.is_empty() {
        let angles: Vec<String> = aims
            .not_measured_deg
            .iter()
            .map(|a| format!("{a}"))
            .collect();
        notes.push(format!(
            "Not compared, since the horizontal angles measured do not reach far enough: {} degrees.",
            angles.join(", ")
        ));
    }
    notes
}
