//! What `planish look` says.

use super::document::{Block, Document, Section};
use super::sections::completeness;
use super::span::{Text, exact, name, path, text};
use super::terminal::{Paint, render};
use crate::average::AveragedCurves;
use crate::read::folder::SpeakerFolder;
use crate::read::missing::missing;

/// What was understood of a measurement and what is missing.
pub fn text(folder: &SpeakerFolder, curves: &AveragedCurves) -> String {
    let mut head = Section::default().with(Block::Line(name(&folder.name).into()));
    for line in understood(folder) {
        head = head.with(Block::Line(line));
    }
    for (what, quantity) in [
        ("distance: ", folder.distance_m.map(|m| exact(m, "m"))),
        ("drive: ", folder.drive_v.map(|v| exact(v, "V"))),
    ] {
        if let Some(quantity) = quantity {
            head = head.with(Block::Line(text!("{}{}", what, quantity)));
        }
    }
    let gaps: Vec<Text> = missing(folder)
        .iter()
        .map(|gap| name(&gap.to_string()).into())
        .collect();
    let mut sections = vec![Section::default().table(completeness(curves))];
    if !gaps.is_empty() {
        sections.push(Section::new("missing:").list(gaps));
    }
    sections.push(
        folder
            .inputs
            .iter()
            .fold(Section::new("files read:"), |section, input| {
                section.with(Block::Line(text! {
                    "  {} ({}, sha256 {})",
                    path(&input.path), exact(input.bytes as f64, "bytes"), name(&input.sha256)
                }))
            }),
    );
    let document = Document {
        opening: head,
        sections,
        ..Document::default()
    };
    render(&document, Paint::Plain)
}

/// What was understood, line by line.
pub fn understood(folder: &SpeakerFolder) -> Vec<Text> {
    let said = folder.understood.to_string();
    said.lines().map(|line| name(line).into()).collect()
}
