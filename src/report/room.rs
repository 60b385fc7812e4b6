//! The section about the room.

use super::document::{Block, Column, Look, Medium, Section, Table, row};
use super::span::{Quantity, Text, exact, hz, name, number, percent, text};
use super::words::finding::size;
use crate::predict::Plan;
use crate::seats::{Decided, Judged, Origin, Outcome};

/// Peaks and seats; `None` where nothing was said of the room.
pub fn section(plan: &Plan) -> Option<Section> {
    let room = plan.situation.room.as_ref()?;
    let section = Section::unheaded("The room").paragraph(transition(room));
    let (Some(judged), Some(outcome)) = (&room.judged, &room.outcome) else {
        return Some(on_page(
            section,
            "No seats say anything of it, so what is there is left as it is.",
        ));
    };
    let section = on_page(
        section,
        "Below, the family is the seats: one filter moves every seat by the same amount. So only peaks that all seats have are cut; nulls and what differs from seat to seat stay. Nothing is boosted.",
    );
    let section = match outcome.peaks.is_empty() {
        true => on_page(section, "The seats share no peak worth a cut."),
        false => section.table(peaks(outcome)),
    };
    Some(section.table(seats(judged, outcome)).with_on(
        Medium::Page,
        Block::Paragraph(
            Look::Note,
            "Deviation: from the level that all seats have in common over two octaves. Null depth lost: what the filters raise a null.".into(),
        ),
    ))
}

fn on_page(section: Section, words: &'static str) -> Section {
    section.with_on(Medium::Page, Block::Paragraph(Look::Plain, words.into()))
}

fn transition(room: &Decided) -> Text {
    let f_hz = hz(room.transition.hz());
    match room.transition.origin() {
        Origin::Stated => text!("The room decides below {}, as stated.", f_hz),
        Origin::Schroeder { volume_m3, rt60_s } => text! {
            "The room decides below {}: Schroeder's frequency 2000 sqrt(T/V) of {} and {} (Schroeder 1996).",
            f_hz, exact(volume_m3, "m3"), exact(rt60_s, "s")
        },
        Origin::Assumed => text!("The room is taken to decide below {}.", f_hz),
    }
}

fn peaks(outcome: &Outcome) -> Table {
    let rows = outcome.peaks.iter().map(|after| {
        let peak = &after.peak;
        row![
            hz(peak.f0_hz),
            number(peak.q, 1),
            number(peak.mean_db, 1),
            text! {
                "{} to {}",
                number(peak.least_db, 1), number(peak.most_db, 1)
            },
            number(-after.gain_db, 1),
            size(after.left_db()),
        ]
    });
    Table {
        label: "Shared peaks",
        look: "",
        columns: vec![
            Column::numbers("shared peak", ""),
            Column::numbers("Q", ""),
            Column::numbers("mean", "dB"),
            Column::numbers("at the seats", "dB"),
            Column::numbers("cut", "dB"),
            Column::numbers("left", "dB"),
        ],
        rows: rows.collect(),
    }
}

fn seats(judged: &Judged, outcome: &Outcome) -> Table {
    let deviation = |variance_db2: f64| number(variance_db2.sqrt(), 1);
    let lost =
        |null: Option<(f64, f64)>| -> Option<Quantity> { null.map(|(_, share)| percent(share)) };
    let rows = judged
        .names
        .iter()
        .zip(&outcome.seats)
        .map(|(seat, after)| {
            row![
                name(seat),
                deviation(after.variance_before_db2),
                deviation(after.variance_after_db2),
                lost(after.null_filled),
            ]
        });
    Table {
        label: "Seats",
        look: "",
        columns: vec![
            Column::words("seat"),
            Column::numbers("deviation before", "dB rms"),
            Column::numbers("after", "dB rms"),
            Column::numbers("null depth lost", ""),
        ],
        rows: rows.collect(),
    }
}
