//! What the commands about a plan print on a terminal.

use super::document::{Block, Document, Item, Section};
use super::sections;
use super::span::{Text, db, exact, hz, name, number, path, percent, text};
use super::terminal::render;
use super::words::stage::{stages, unheld};
use super::words::statement::statement;
use super::{pair, room};
use crate::device::Device;
use crate::fit::Fit;
use crate::predict::Plan;
use crate::target::Target;
use std::path::{Path, PathBuf};

pub use super::terminal::{COLUMNS, Paint};

/// Findings, yield within reach, and the statement.
pub fn audit(plan: &Plan, paint: Paint) -> String {
    let findings = sections::of_findings(plan);
    let mut document = Document {
        title: name(&plan.speaker).into(),
        warnings: sections::warnings(plan),
        opening: Section::default().paragraph(judged(plan)),
        sections: vec![findings, figures(plan)],
        ..Document::default()
    };
    document.sections.extend(room::section(plan));
    document.sections.extend(pair::section(plan));
    document
        .sections
        .push(Section::default().statement(statement(plan)));
    document.sections.extend(sections::asked(plan));
    document.sections.extend(sections::advice(plan));
    render(&document, paint)
}

/// What the plan was made for.
pub(super) fn judged(plan: &Plan) -> Text {
    text! {
        "Target {}, device {}, judged from {} to {}",
        name(&plan.target.name), name(&plan.device.name), hz(plan.audit.judged.from_hz),
        hz(plan.audit.judged.to_hz)
    }
}

/// The figures that a page sets large.
fn figures(plan: &Plan) -> Section {
    let prediction = &plan.prediction;
    let section = Section::default()
        .paragraph(text! {
            "Audible deviation {} rms before, {} after",
            db(plan.mendable.before_db, 1), db(plan.mendable.after_db, 1)
        })
        .paragraph(text! {
            "Yield {} within a reach of {}{}, price {} of headroom",
            plan.mendable.yield_share.map(percent), plan.mendable.reach.map(percent),
            sections::reach_range(plan), db(prediction.price_db, 1)
        });
    match (prediction.rating_before, prediction.rating_after) {
        (Some(before), Some(after)) => section.paragraph(text! {
            "Preference rating (Olive 2004) {} before, {} after",
            number(before.preference, 1), number(after.preference, 1)
        }),
        _ => section,
    }
}

/// What a plan decided and where it was written.
pub fn plan(plan: &Plan, written: &[PathBuf]) -> String {
    let mut document = Document {
        warnings: sections::warnings(plan),
        opening: Section::default().statement(statement(plan)),
        sections: sections::asked(plan),
        ..Document::default()
    };
    document.sections.push(sections::filters(plan));
    document.sections.extend(room::section(plan));
    document.sections.extend(pair::section(plan));
    let device = &plan.device;
    let held = text! {
        "For {} at {}. Written:",
        name(&device.name), exact(device.rate_hz, "Hz")
    };
    document
        .sections
        .push(paths(Section::default().paragraph(held), written));
    document.sections.push(sections::cautions());
    render(&document, Paint::Plain)
}

/// Paths, each on a line of its own so that it can be copied.
fn paths(section: Section, paths: &[PathBuf]) -> Section {
    paths.iter().fold(section, |section, place| {
        section.with(Block::Line(text!("  {}", path(place))))
    })
}

/// A fit of a wanted curve.
pub fn fit(fit: &Fit, device: &Device) -> String {
    let head = text! {
        "{} on {} leave {} rms of the wanted curve; level {}",
        stages(fit.stages.len()), name(&device.name), db(fit.rms_db, 3),
        db(fit.level_db, 2).signed()
    };
    let mut section = Section::default().table(sections::stage_table(&fit.stages, None, 2, 3, 4));
    if let Some(rounded_db) = fit.rounded_rms_db {
        section = section.paragraph(text! {
            "Without the device's steps {}, with plain rounding {}",
            db(fit.continuous_rms_db, 3), db(rounded_db, 3)
        });
    }
    let document = Document {
        opening: Section::default().paragraph(head),
        sections: vec![
            section.list(fit.unheld.iter().map(unheld)),
            Section::new("What so many stages leave:").table(sections::ladder_table(fit, None)),
        ],
        ..Document::default()
    };
    render(&document, Paint::Plain)
}

/// What was written where.
pub fn written(written: &[PathBuf]) -> String {
    let document = Document {
        opening: paths(Section::new("Written:"), written),
        ..Document::default()
    };
    render(&document, Paint::Plain)
}

/// The demo folders that were written.
pub fn demo(folders: &[PathBuf]) -> String {
    let first: &Path = folders.first().map_or(Path::new("."), |p| p);
    let document = Document {
        opening: paths(Section::new("Written:"), folders),
        sections: vec![
            Section::default().with(Block::Line(text!("Try: planish plan {}", path(first)))),
        ],
        ..Document::default()
    };
    render(&document, Paint::Plain)
}

/// The built-in targets and devices.
pub fn list(targets: &[Target], devices: &[Device]) -> String {
    let targets = targets.iter().map(|target| Item {
        text: name(&target.name).into(),
        under: vec![name(&target.about).into()],
    });
    let devices = devices.iter().map(|device| Item {
        text: text! {
            "{} ({}, {}, {})",
            name(&device.name), stages(device.stages), exact(device.rate_hz, "Hz"), device.number
        },
        under: vec![name(&device.about).into()],
    });
    let document = Document {
        sections: vec![
            Section::new("Targets (--target)").list(targets),
            Section::new("Devices (--device)").list(devices),
        ],
        ..Document::default()
    };
    render(&document, Paint::Plain)
}
