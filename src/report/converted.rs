//! What `planish convert` says.

use super::document::{Block, Column, Document, Item, Section, Table, row};
use super::span::{Text, db, exact, hz, name, path, text};
use super::terminal::{Paint, render};
use super::words::stage::{change, gain, obstacle, rounded, stages};
use crate::convert::difference::SAME_DB;
use crate::convert::{Converted, Difference, Obstacle, Way};
use crate::device::Number;
use std::path::Path;

/// What became of a list; `written` is the file it went to.
pub fn text(converted: &Converted, written: Option<&Path>) -> String {
    let list = &converted.list;
    let mut points = vec![way(&converted.way)];
    points.extend(
        converted
            .changes
            .iter()
            .map(|c| text!("{}.", change(c).capital()).into()),
    );
    points.push(difference(&converted.difference, &converted.way).into());
    let by_hand = list.number == Number::None;
    if by_hand {
        let level = db(list.gain_db, 1);
        points.push(text!("Set a level of {} in front of the stages.", level).into());
    }
    let mut section = Section::default()
        .paragraph(text! {
            "{}: {} for {} at {}, {}.",
            name(&list.speaker), stages(list.stages.len()), name(&converted.device),
            exact(list.rate_hz, "Hz"), list.number
        })
        .list(points);
    if by_hand {
        section = section.table(settings(converted));
    }
    if let Some(place) = written {
        section = section.with(Block::Line(text!("wrote {}", path(place))));
    }
    let document = Document {
        opening: section,
        ..Document::default()
    };
    render(&document, Paint::Plain)
}

/// Obstacles that are named one by one.
const NAMED_AT_MOST: usize = 4;

fn way(way: &Way) -> Item {
    let obstacles: &[Obstacle] = match way {
        Way::Kept => return Text::from("The numbers are those of the list, to the bit.").into(),
        Way::Recomputed => {
            return Text::from("The numbers were computed anew from f0, gain and Q.").into();
        }
        Way::Refitted { because } => because,
    };
    let more = obstacles.len().saturating_sub(NAMED_AT_MOST);
    let more = (more > 0).then(|| text!("and {} more of the kind", more));
    Item {
        text: "The device's own stages were fitted to what the list does.".into(),
        under: obstacles
            .iter()
            .take(NAMED_AT_MOST)
            .map(obstacle)
            .chain(more)
            .collect(),
    }
}

/// A change of level below this is none as printed, dB.
const PRINTED_LEVEL_DB: f64 = 0.05;

fn difference(found: &Difference, way: &Way) -> Text {
    let mut said = Text::default();
    if found.level_db.abs() >= PRINTED_LEVEL_DB {
        let level = db(found.level_db, 1).signed();
        said += text!("It is {} as loud as the list. ", level);
    }
    let band = text!(" from {} to {}", hz(found.from_hz), hz(found.to_hz));
    if found.is_none() {
        let within = db((found.largest_db.abs() * 1000.0).ceil() / 1000.0, 3);
        said += text! {
            "The response is that of the list within {}{}.",
            within, band
        };
        return said;
    }
    said += text! {
        "The response differs from that of the list by {} at {} at most, {} rms{}",
        db(found.largest_db, 2).signed(), hz(found.largest_hz), db(found.rms_db, 2), band
    };
    if let Some((from_hz, to_hz)) = found.same_hz {
        said += text! {
            "; it is the same within {} from {} to {}",
            exact(SAME_DB, "dB"), hz(from_hz), hz(to_hz)
        };
    }
    said += ".";
    if matches!(way, Way::Recomputed) {
        said += " A digital filter is warped near the Nyquist frequency, so the same settings differ near the top; --refit moves them to come nearer.";
    }
    said
}

/// What is to be set, for devices that are set by hand.
fn settings(converted: &Converted) -> Table {
    let rows = (1usize..)
        .zip(&converted.list.stages)
        .map(|(place, listed)| {
            let stage = &listed.stage;
            row![
                place,
                stage.kind.name(),
                exact((stage.f0_hz * 100.0).round() / 100.0, ""),
                gain(stage, 2),
                rounded(stage.q),
            ]
        });
    Table {
        label: "Settings",
        look: "",
        columns: vec![
            Column::numbers("stage", ""),
            Column::words("type"),
            Column::numbers("f0", "Hz"),
            Column::numbers("gain", "dB"),
            Column::numbers("Q", ""),
        ],
        rows: rows.collect(),
    }
}
