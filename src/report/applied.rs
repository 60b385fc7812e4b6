//! What `planish apply` says.

use super::document::{Block, Document, Section};
use super::span::{Text, db, exact, name, number, path, quantity, text};
use super::terminal::{Paint, render};
use crate::apply::{Applied, Written};
use crate::device::Number;
use crate::units::amplitude_to_db;

/// The whole text: what was done, and what did not fit.
pub fn text(applied: &Applied) -> String {
    let mut sections = vec![done(applied)];
    sections.extend(warnings(applied).into_iter().map(|warning| {
        Section::default()
            .with(Block::Line(text!("warning: {}", warning.what)))
            .list(warning.more)
    }));
    let document = Document {
        sections,
        ..Document::default()
    };
    render(&document, Paint::Plain)
}

fn done(applied: &Applied) -> Section {
    let arithmetic = match applied.number {
        Number::F32 => "32-bit floating point".into(),
        number @ Number::Fixed { .. } => text!("words of {}", number),
        Number::F64 | Number::None => "64-bit floating point".into(),
    };
    let format = &applied.input_format;
    let section = Section::default()
        .paragraph(text! {
            "{}: {} and {} in front, computed in {}",
            name(&applied.speaker), counted(applied.stages as u64, "stage", "stages"),
            db(applied.gain_db, 2).signed(), arithmetic
        })
        .with(Block::Line(text! {
            "  read     {}: {}, {}, {}, {}",
            path(&applied.input),
            quantity(
                applied.ending.frames as f64 / f64::from(format.rate_hz),
                3,
                "s"
            ),
            exact(f64::from(format.rate_hz), "Hz"),
            counted(u64::from(format.channels), "channel", "channels"), format.sample
        }))
        .with(Block::Line(text! {
            "  written  {}",
            written(&applied.output)
        }));
    let Some(twin) = &applied.twin else {
        return section;
    };
    section
        .with(Block::Line(text!("  twin     {}", written(&twin.output))))
        .with(Block::Line(text! {
            "           unfiltered at {}: {} LUFS, as loud as the filtered programme",
            db(twin.gain_db, 2).signed(), twin.lufs.map(|lufs| number(lufs, 2))
        }))
        .with(Block::Line(text! {
            "           ({}; {} before; ITU-R BS.1770)",
            quantity(twin.filtered_lufs, 2, "LUFS"), quantity(twin.unfiltered_lufs, 2, "LUFS")
        }))
}

fn written(written: &Written) -> Text {
    let peak = match written.levels.peak > 0.0 {
        true => db(amplitude_to_db(written.levels.peak), 2).signed().into(),
        false => Text::from("silence"),
    };
    text! {
        "{}: {}{}, peak {}",
        path(&written.path), written.format.sample,
        if written.dithers { " with dither" } else { "" }, peak
    }
}

/// Something that the listener must know before believing the result.
#[derive(Debug, Clone, PartialEq)]
pub struct Warning {
    /// What did not fit.
    pub what: Text,
    /// Where, how much, and what to do about it, a line each.
    pub more: Vec<Text>,
}

/// The warning in lines, those after the first set in.
impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.what)?;
        self.more
            .iter()
            .try_for_each(|line| write!(f, "\n  {line}"))
    }
}

/// Everything that the listener must know before believing the result.
pub fn warnings(applied: &Applied) -> Vec<Warning> {
    let mut out = Vec::new();
    if let Some(cut) = applied.ending.cut {
        out.push(Warning {
            what: text!("{}: {}", path(&applied.input), cut),
            more: Vec::new(),
        });
    }
    let rate_hz = f64::from(applied.input_format.rate_hz);
    if !applied.saturations.is_empty() {
        let places = applied.saturations.iter().map(|seen| {
            text! {
                "{}: {}, first at {} in channel {}",
                match seen.stage {
                    0 => "the input".into(),
                    n => text!("stage {}", n),
                },
                samples(seen.samples), quantity(seen.first_frame as f64 / rate_hz, 4, "s"),
                counted_number(seen.first_channel as u64)
            }
        });
        let advice = Text::from("lower the level in front of the device");
        out.push(Warning {
            what: "words saturated inside the device:".into(),
            more: places.chain([advice]).collect(),
        });
    }
    let twin = applied.twin.as_ref().map(|twin| &twin.output);
    out.extend(
        [Some(&applied.output), twin]
            .into_iter()
            .flatten()
            .filter_map(overs),
    );
    out
}

fn overs(written: &Written) -> Option<Warning> {
    let levels = &written.levels;
    if levels.overs() == 0 {
        return None;
    }
    let is_float = written.format.sample.is_float();
    let what = text! {
        "{}: {}{}",
        path(&written.path), samples(levels.overs()),
        match is_float {
            true => " beyond full scale (the file holds them, a converter will cut them)",
            false => " beyond full scale clipped",
        }
    };
    let rate_hz = f64::from(written.format.rate_hz);
    let channels = (1usize..)
        .zip(&levels.channels)
        .filter(|(_, seen)| seen.samples > 0);
    let channels = channels.map(|(channel, seen)| {
        text! {
            "channel {}: {}, first at {}, largest {} at {}",
            channel, samples(seen.samples), quantity(seen.first_frame as f64 / rate_hz, 4, "s"),
            db(amplitude_to_db(seen.largest), 2).signed(),
            quantity(seen.largest_frame as f64 / rate_hz, 4, "s")
        }
    });
    // Rounded up, so that the stated level is enough.
    let down_db = (amplitude_to_db(levels.peak) * 10.0).ceil() / 10.0;
    let advice = text! {
        "lower the input by {}{}",
        db(down_db, 1),
        match is_float {
            true => "",
            false => ", or write 32-bit float (--format f32), which holds them",
        }
    };
    Some(Warning {
        what,
        more: channels.chain([advice]).collect(),
    })
}

fn samples(count: u64) -> Text {
    counted(count, "sample", "samples")
}

fn counted(count: u64, one: &'static str, many: &'static str) -> Text {
    let what = if count == 1 { one } else { many };
    text!("{} {}", counted_number(count), what)
}

/// A count, exact up to 2^53.
fn counted_number(count: u64) -> Text {
    exact(count as f64, "").into()
}
