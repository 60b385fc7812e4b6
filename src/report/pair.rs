//! The section about a pair.

use super::document::{Block, Column, Look, Medium, Section, Table, row};
use super::sections::level_change;
use super::span::{Text, db, hz, name, number, quantity, text};
use super::words::finding::size;
use crate::pair::Decided;
use crate::predict::Plan;

/// How well the units match and what the lists do; `None` for a single speaker.
pub fn section(plan: &Plan) -> Option<Section> {
    let pair = plan.situation.pair.as_ref()?;
    let curves = "All curves on this page are those of what both units share: the mean of both, but where they differ in the listening window no more than both have.";
    let note = "Octave bands as in IEC 61260. Differences are those of the listening windows, level taken out, over a twelfth of an octave.";
    Some(
        Section::unheaded("The pair")
            .paragraph(matching(pair))
            .with_on(Medium::Page, Block::Paragraph(Look::Plain, curves.into()))
            .table(bands(pair))
            .table(units(plan, pair))
            .with_on(Medium::Page, Block::Paragraph(Look::Note, note.into())),
    )
}

fn matching(pair: &Decided) -> Text {
    let level = match level_change(pair.matched.level_db, "quieter", "louder") {
        None => "both are equally loud".into(),
        Some(change) => text!("the second is {}, which the balance evens out", change),
    };
    let mut said = text!("Two units, one list: {}", level);
    if let Some(largest) = pair.matched.largest() {
        said += text! {
            "; from {} to {} they match within {}, worst at {}",
            quantity(100.0, 0, "Hz"), quantity(10.0, 0, "kHz"), db(largest.value_db.abs(), 1), hz(largest.f_hz)
        };
    }
    said += ".";
    said
}

fn bands(pair: &Decided) -> Table {
    let rows = pair.matched.bands.iter().map(|band| {
        row![
            hz(band.middle_hz),
            size(band.mean_db),
            number(band.rms_db, 1),
            size(band.largest_db)
        ]
    });
    Table {
        label: "Match by octave bands",
        look: "",
        columns: vec![
            Column::numbers("band", ""),
            Column::numbers("second minus first, mean", "dB"),
            Column::numbers("rms", "dB"),
            Column::numbers("largest", "dB"),
        ],
        rows: rows.collect(),
    }
}

fn units(plan: &Plan, pair: &Decided) -> Table {
    let names = [
        text!("1 {}", name(&plan.speaker)),
        text!("2 {}", name(&pair.second)),
    ];
    let rows = names
        .into_iter()
        .zip(&pair.deviations)
        .map(|(unit, deviation)| {
            row![
                unit,
                number(deviation.before_db, 1),
                number(deviation.shared_db, 1),
                deviation.own_db.map(|db| number(db, 1)),
            ]
        });
    Table {
        label: "Units",
        look: "",
        columns: vec![
            Column::words("unit"),
            Column::numbers("deviation before", "dB rms"),
            Column::numbers("shared list", "dB rms"),
            Column::numbers("own list", "dB rms"),
        ],
        rows: rows.collect(),
    }
}
