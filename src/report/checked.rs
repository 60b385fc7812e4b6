//! What `planish check` says.

use super::document::{Block, Column, Document, Item, Section, Table, row};
use super::span::{Text, db, exact, hz, name, number, quantity, scientific, text};
use super::terminal::{Paint, render};
use super::words::fault;
use super::words::stage::{gain, stages};
use crate::check::after::{AGREE_DB, After};
use crate::check::{Comparison, NamedFault, Soundness};
use crate::filter_list::FilterList;

/// A list on its own, and against a measurement where there is one.
pub fn text(list: &FilterList, sound: &Soundness, compared: Option<&Comparison>) -> String {
    let head = text! {
        "{}: {} at {}, {}",
        name(&list.speaker), stages(list.stages.len()), exact(list.rate_hz, "Hz"), list.number
    };
    let mut sections = Vec::new();
    if let Some(compared) = compared {
        sections.push(verdict(compared));
        sections.extend(explanations(compared));
    }
    sections.extend([soundness(sound), each_stage(sound), cascade(sound)]);
    print(Section::default().paragraph(head), sections)
}

fn print(opening: Section, sections: Vec<Section>) -> String {
    let document = Document {
        opening,
        sections,
        ..Document::default()
    };
    render(&document, Paint::Plain)
}

fn soundness(sound: &Soundness) -> Section {
    let problems = sound
        .problems
        .iter()
        .map(|p| text!("{}.", fault::problem(p)));
    let notes = sound.notes.iter().map(|n| text!("{}.", fault::note(n)));
    Section::default()
        .paragraph(match sound.is_sound() {
            true => "The list is sound.",
            false => "The list is not sound.",
        })
        .list(problems.chain(notes))
}

fn each_stage(sound: &Soundness) -> Section {
    let rows = (1usize..).zip(&sound.stages).map(|(place, check)| {
        let stage = &check.stage;
        row![
            place,
            stage.kind.name(),
            hz(stage.f0_hz),
            gain(stage, 2),
            number(stage.q, 3),
            number(check.pole_radius, 7),
            check.difference.map(|(db, _)| number(db.abs(), 3)),
            number(check.node_peak_db, 2).signed(),
        ]
    });
    let table = Table {
        label: "Stages",
        look: "",
        columns: vec![
            Column::numbers("stage", ""),
            Column::words("type"),
            Column::numbers("f0", ""),
            Column::numbers("gain", "dB"),
            Column::numbers("Q", ""),
            Column::numbers("pole", ""),
            Column::numbers("off", "dB"),
            Column::numbers("peak", "dB"),
        ],
        rows: rows.collect(),
    };
    Section::default().table(table).note("pole: its distance from the origin, stable below 1. off: numbers against parameters. peak: a sine behind this stage, re full scale.")
}

fn cascade(sound: &Soundness) -> Section {
    let section = Section::default().paragraph(text! {
        "Gain in front {}; the cascade peaks at {}.",
        db(sound.gain_db, 2), db(sound.peak_db, 2).signed()
    });
    let Some(grid) = &sound.grid else {
        return section;
    };
    let noise = match grid.noise_db {
        None => "not available".into(),
        Some(noise_db) => text!("{} re a full-scale sine", db(noise_db, 1)),
    };
    let inner_db = sound
        .stages
        .iter()
        .map(|s| s.inner_peak_db)
        .fold(f64::NEG_INFINITY, f64::max);
    section
        .paragraph(text!("Numbers lie on a grid of {} from {} to {}. Noise at the output: {} (direct form 1, each stage rounded once to that grid, white and independent).", scientific(grid.step, 3), exact(grid.lowest, ""), number(grid.highest, 6), noise))
        .paragraph(text!("In direct form 2 the delay lines would reach {} re full scale.", db(inner_db, 1).signed()))
}

fn verdict(compared: &Comparison) -> Section {
    let (largest_db, at_hz) = compared.largest;
    let band = judged(compared.from_hz, compared.to_hz);
    let said = if compared.matches {
        text! {
            "The device does what the list says: the largest difference is {} at {}, {}.",
            db(largest_db.abs(), 2), hz(at_hz), band
        }
    } else if compared.sensible {
        text! {
            "The device does not do what the list says: it differs by {} at {}, {}.",
            db(largest_db, 2).signed(), hz(at_hz), band
        }
    } else {
        text! {
            "Nothing sensible was measured: neighbouring points scatter by {}, which no filter does. The device oscillates, clips or is silent, or the file is no response.",
            db(compared.noise_db, 1)
        }
    };
    let missing = compared.gain_may_be_missing.then(|| {
        Text::from("The level found is just the one that a missing gain in front would give; measure with a known level and --absolute to be sure.")
    });
    Section::default()
        .paragraph(said)
        .list([surroundings(compared)].into_iter().chain(missing))
}

fn judged(from_hz: f64, to_hz: f64) -> Text {
    text!("judged from {} to {}", hz(from_hz), hz(to_hz))
}

fn surroundings(compared: &Comparison) -> Text {
    let interface = &compared.interface;
    let mut said = match compared.absolute {
        true => "Level as measured".into(),
        false => text! {
            "Level {}, which is free",
            db(interface.level_db, 2).signed()
        },
    };
    if let Some(roll) = interface.high_pass {
        said += text!(", roll-off below {}", quantity(roll.corner_hz, 0, "Hz"));
    }
    if let Some(roll) = interface.low_pass {
        said += text! {
            ", roll-off above {}",
            quantity(roll.corner_hz / 1000.0, 1, "kHz")
        };
    }
    said += text! {
        "; noise {} a point; differences up to {} are no alarm.",
        db(compared.noise_db, 3), db(compared.limit_db, 2)
    };
    said
}

/// The faults that explain a difference; `None` where there is none to explain.
fn explanations(compared: &Comparison) -> Option<Section> {
    if compared.matches {
        return None;
    }
    if compared.faults.is_empty() {
        return Some(Section::default().paragraph("None of the known faults explains it: measure the interface alone in the same way, and see that list and measurement belong together."));
    }
    let items = compared.faults.iter().map(|named| Item {
        text: named_fault(named),
        under: vec![fault::advice(&named.fault)],
    });
    let section = Section::default().with(Block::List {
        numbered: true,
        items: items.collect(),
    });
    let alike = compared
        .faults
        .iter()
        .filter(|f| f.fits && f.with.is_empty())
        .count();
    Some(match alike > 1 {
        true => section.paragraph(
            "More than one of these predict the same within the noise; all that fit are marked so.",
        ),
        false => section,
    })
}

fn named_fault(named: &NamedFault) -> Text {
    let mut said = text!("{}: {}", named.fault.name(), fault::fault(&named.fault));
    if let [other, ..] = named.with.as_slice() {
        said += text!(", together with {} ({})", other.name(), fault::fault(other));
    }
    match (named.explains, named.left_db) {
        (Some(share), Some(left_db)) => {
            said += text! {
                "; explains {}, leaves {} rms{}",
                quantity(100.0 * share, 1, "%"), db(left_db, 2),
                if named.fits { ", fits" } else { "" }
            };
        }
        _ => said += "; possible, since the device is unstable then and has no steady response",
    }
    if named.unstable && named.explains.is_some() {
        said += "; the device would be unstable";
    }
    said += ".";
    said
}

/// The speaker measured again.
pub fn after_text(speaker: &str, after: &After) -> String {
    let head = text! {
        "{}{}{}; level {}, which is free.",
        name(speaker),
        match after.matches {
            true => ": the curves came out as predicted, ",
            false => ": the curves did not come out as predicted, ",
        },
        judged(after.from_hz, after.to_hz), db(after.level_db, 2).signed()
    };
    let rows = after.curves.iter().map(|curve| {
        let (largest_db, at_hz) = curve.largest;
        let largest = number(largest_db, 2).signed();
        let agrees = match curve.agrees_hz {
            None => "nowhere".into(),
            Some((from_hz, to_hz)) => text!("{} to {}", hz(from_hz), hz(to_hz)),
        };
        row![
            curve.name,
            number(curve.rms_db, 2),
            largest,
            hz(at_hz),
            agrees
        ]
    });
    let table = Table {
        label: "Curves",
        look: "",
        columns: vec![
            Column::words("curve"),
            Column::numbers("rms", "dB"),
            Column::numbers("largest", "dB"),
            Column::numbers("at", ""),
            Column::words("agrees"),
        ],
        rows: rows.collect(),
    };
    let note = text! {
        "Curves agree where they differ by no more than {}, smoothed to a sixth of an octave.",
        exact(AGREE_DB, "dB")
    };
    print(
        Section::default().paragraph(head),
        vec![Section::default().table(table).note(note)],
    )
}
