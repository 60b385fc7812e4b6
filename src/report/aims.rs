//! A speaker turned by several angles.

use super::document::{Column, Document, Row, Section, Table, row};
use super::span::{Text, db, exact, hz, name, number, percent, text};
use super::terminal::{Paint, render};
use super::words::situation::side;
use crate::predict::aims::{AimRow, Aims, TREBLE_HZ};

/// What `audit --aims` prints.
pub fn text(speaker: &str, aims: &Aims, paint: Paint) -> String {
    let notes = notes(aims).into_iter();
    let document = Document {
        title: name(speaker).into(),
        opening: Section::default().paragraph(recommendation(aims)),
        sections: vec![notes.fold(Section::default().table(table(aims)), Section::note)],
        ..Document::default()
    };
    render(&document, paint)
}

fn table(aims: &Aims) -> Table {
    let rows = aims.rows.iter().enumerate().map(|(place, aim)| Row {
        chosen: place == aims.recommended,
        ..row![
            exact(aim.aim_deg, ""),
            aim.treble_tilt_db_per_oct
                .map(|tilt| number(tilt, 2).signed()),
            number(aim.roughness_db, 2),
            number(aim.deviation_db, 2),
            aim.reach.map(percent),
            aim.yield_share.map(percent),
            number(aim.price_db, 1),
            aim.stages,
        ]
    });
    Table {
        label: "Aims",
        look: "",
        columns: vec![
            Column::numbers("aim", ""),
            Column::numbers("treble", "dB/oct"),
            Column::numbers("rough", "dB"),
            Column::numbers("deviation", "dB"),
            Column::numbers("reach", ""),
            Column::numbers("yield", ""),
            Column::numbers("price", "dB"),
            Column::numbers("stages", ""),
        ],
        rows: rows.collect(),
    }
}

/// How far to turn the speaker before any EQ, and why.
fn recommendation(aims: &Aims) -> Text {
    let best = aims.best();
    let Some(own) = aims.own() else {
        return Text::default();
    };
    if best.aim_deg == 0.0 {
        let [from, to] =
            [aims.rows.first(), aims.rows.last()].map(|row| row.map_or(0.0, |r| r.aim_deg));
        return text! {
            "Aim it at the seat: no turn between {} and {} lowers the audible deviation before EQ ({} rms) by anything worth turning for.",
            exact(from, ""), exact(to, "degrees"), db(own.deviation_db, 1)
        };
    }
    let mut said = text! {
        "Before any EQ, turn it so that you listen {} to the {} side of its axis: the audible deviation falls from {} to {} rms",
        exact(best.aim_deg.abs(), "degrees"), side(best.aim_deg), number(own.deviation_db, 1),
        db(best.deviation_db, 1)
    };
    if let (Some(from), Some(to)) = (own.treble_tilt_db_per_oct, best.treble_tilt_db_per_oct) {
        said += text! {
            ", the treble's tilt goes from {} to {} per octave",
            number(from, 1).signed(), db(to, 1).signed()
        };
    }
    if !best.vanished.is_empty() {
        said += text! {
            ", and what the axis alone had is gone: {}",
            vanished(aims, best)
        };
    }
    said += ".";
    said
}

/// Places, sizes and causes of what is no longer found at `row`.
fn vanished(aims: &Aims, row: &AimRow) -> Text {
    let findings = row
        .vanished
        .iter()
        .filter_map(|place| aims.findings.get(*place));
    let each = findings.map(|f| {
        let size = db(f.stands_out().0, 1).signed();
        text!("{} ({}, {})", hz(f.peak_hz), size, f.cause.name())
    });
    Text::joined(each, ", ")
}

/// What the table means and what it does not show, one sentence each.
fn notes(aims: &Aims) -> Vec<Text> {
    let mut notes: Vec<Text> = aims
        .rows
        .iter()
        .filter(|row| !row.vanished.is_empty())
        .map(|row| {
            text! {
                "Gone at {}: {}.",
                exact(row.aim_deg, ""), vanished(aims, row)
            }
        })
        .collect();
    notes.push(text!("Treble: slope of the listening window from {} to {}. Rough: its deviation from its own octave-wide trend. Deviation: from the target, before any EQ, judged over the band of the speaker's own axis. All round the new axis; horizontal angles as measured or between neighbours, vertical ones as measured over the speaker's own axis and shifted, which is an approximation; sound power stays. The price of the filters at each aim is their headroom.", hz(TREBLE_HZ.0), hz(TREBLE_HZ.1)));
    if !aims.not_measured_deg.is_empty() {
        let angles = aims
            .not_measured_deg
            .iter()
            .map(|angle_deg| exact(*angle_deg, ""));
        notes.push(text!("Not compared, since the horizontal angles measured do not reach far enough: {} degrees.", Text::joined(angles, ", ")));
    }
    notes
}
