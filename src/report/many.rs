//! Many plans: their table, the page of a ranking and the page of a comparison.

use super::compare_picture::pictures;
use super::document::{
    Block, Cell, Column, Document, Item, Medium, Row, Section, Table, Thumbnail, row,
};
use super::page;
use super::sections::{cautions, program};
use super::sketch;
use super::span::{Name, Text, db, hz, name, number, path, percent, text};
use super::terminal::{self, Paint};
use super::words::statement::{grade, statement};
use crate::error::{Error, Result};
use crate::predict::Plan;
use crate::predict::summary::{Entry, LeftAlone, Summary};
use std::collections::HashSet;
use std::path::Path;

pub use super::compare_picture::MOST_PLANS;

/// What a page says about itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct About {
    /// Version of this program.
    pub version: String,
    /// The options as typed.
    pub command: String,
}

/// What tells each row from the others: of speaker, target and device those that differ, the
/// speaker where none does; the folder as well where that is not enough. Entries without a row go
/// by their folder.
fn labels(entries: &[Entry]) -> Vec<Text> {
    let rows = || {
        entries
            .iter()
            .filter_map(|entry| entry.outcome.as_ref().ok())
    };
    let parts: [fn(&Summary) -> &str; 3] = [|r| &r.speaker, |r| &r.target, |r| &r.device];
    let differs = |part: &fn(&Summary) -> &str| rows().map(part).collect::<HashSet<_>>().len() > 1;
    let mut telling: Vec<fn(&Summary) -> &str> = parts.into_iter().filter(differs).collect();
    if telling.is_empty() {
        telling.push(parts[0]);
    }
    let label =
        |row: &Summary| -> Vec<Name> { telling.iter().map(|part| name(part(row))).collect() };
    let mut seen = HashSet::new();
    let repeated: HashSet<Vec<Name>> = rows()
        .map(label)
        .filter(|label| !seen.insert(label.clone()))
        .collect();
    entries
        .iter()
        .map(|entry| match entry.outcome.as_ref().map(label) {
            Ok(label) => {
                let folder = repeated.contains(&label).then(|| path(&entry.folder));
                let label = Text::joined(label, ", ");
                match folder {
                    Some(folder) => text!("{} ({})", label, folder),
                    None => label,
                }
            }
            Err(_) => path(&entry.folder).into(),
        })
        .collect()
}

/// The rows in their order with their numbers; `linked` to the report of each.
fn table(entries: &[Entry], linked: bool) -> Table {
    let of = |((place, entry), label): ((usize, &Entry), Text)| -> Option<Row> {
        let summary = entry.outcome.as_ref().ok()?;
        let label = Cell {
            link: linked.then(|| link(&entry.folder)),
            ..label.into()
        };
        Some(row![
            place,
            label,
            deviation(summary),
            summary.reach.map(percent),
            summary.yield_share.map(percent),
            number(summary.price_db, 1),
            rating(summary),
            summary.stages,
            summary.left.len(),
            largest_left(&summary.left),
        ])
    };
    Table {
        label: "The numbers",
        look: "places",
        columns: vec![
            Column::numbers("No.", ""),
            Column::words("plan"),
            Column::numbers("deviation", ""),
            Column::numbers("reach", ""),
            Column::numbers("yield", ""),
            Column::numbers("price", ""),
            Column::numbers("rating", ""),
            Column::numbers("stages", ""),
            Column::numbers("left", "").only(Medium::Terminal),
            Column::words("left alone").only(Medium::Page),
        ],
        rows: (1..)
            .zip(entries)
            .zip(labels(entries))
            .filter_map(of)
            .collect(),
    }
}

/// What the columns mean.
const TERMS: &str = "Deviation: audible deviation from the target, dB rms, before and after. Reach: share of its energy that an ideal EQ may remove; yield: that these filters remove. Price: headroom, dB. Rating: Olive 2004, before and after, with the limits that each report states. Left alone: findings that are not corrected in full, the largest first.";

fn deviation(row: &Summary) -> Text {
    let (before, after) = (row.deviation_before_db, row.deviation_after_db);
    text!("{} \u{2192} {}", number(before, 1), number(after, 1))
}

fn rating(row: &Summary) -> Text {
    match (row.rating_before, row.rating_after) {
        (Some(before), Some(after)) => {
            text!("{} \u{2192} {}", number(before, 1), number(after, 1))
        }
        _ => "-".into(),
    }
}

/// So many of what was left alone are named; the others are counted.
const NAMED_AT_MOST: usize = 2;

/// The largest of what was left alone, a dash where nothing was.
fn largest_left(left: &[LeftAlone]) -> Text {
    let mut left: Vec<&LeftAlone> = left.iter().collect();
    left.sort_by(|a, b| b.size_db.abs().total_cmp(&a.size_db.abs()));
    let named = left.iter().take(NAMED_AT_MOST).map(|one| {
        let size = db(one.size_db, 1).signed();
        text!("{} ({}, {})", hz(one.peak_hz), size, one.cause.name())
    });
    let more = left.len().saturating_sub(NAMED_AT_MOST);
    let more = (more > 0).then(|| text!("{} more", more));
    match left.is_empty() {
        true => "-".into(),
        false => Text::joined(named.chain(more), ", "),
    }
}

/// What has no plan, each with its error; `None` where all have one.
fn broken(entries: &[Entry]) -> Option<Section> {
    let failed: Vec<Text> = entries
        .iter()
        .filter_map(|entry| {
            let error = entry.outcome.as_ref().err()?;
            Some(text!("{}: {}", path(&entry.folder), name(error)))
        })
        .collect();
    (!failed.is_empty()).then(|| Section::new("Without a plan").list(failed))
}

/// The table for the terminal.
pub fn text(entries: &[Entry]) -> String {
    let mut sections = vec![Section::default().table(table(entries, false)).note(TERMS)];
    sections.extend(broken(entries));
    let document = Document {
        sections,
        ..Document::default()
    };
    terminal::render(&document, Paint::Plain)
}

/// The page of a ranking: `entries` in their order; each links to its `report.html` in a folder
/// named as the speaker's, beside the page.
pub fn rank_page(entries: &[Entry], about: &About) -> String {
    let rows: Vec<&Summary> = entries
        .iter()
        .filter_map(|e| e.outcome.as_ref().ok())
        .collect();
    let mut opening = Section::default();
    if let Some(row) = rows.first() {
        let without = entries.len() - rows.len();
        opening = opening.note(text! {
            "{} speakers, target {}, device {}{}",
            rows.len(), name(&row.target), name(&row.device),
            match without {
                0 => Text::default(),
                n => text!("; {} without a plan", n),
            }
        });
    }
    let title = Text::from("Who takes EQ, and at what price");
    let mut sections = vec![numbers(entries, true), thumbnails(entries)];
    sections.extend(broken(entries));
    sections.extend([how_to_repeat(about), cautions()]);
    let document = Document {
        kicker: "Equalization plans",
        title: title.clone(),
        opening: opening.statement("Speakers stand in the order of what their plan takes off the audible deviation from the target. That is no order of quality: a speaker that needs little EQ has little to take off."),
        sections,
        ..Document::default()
    };
    page::render(&document, &title, &about.version)
}

fn numbers(entries: &[Entry], linked: bool) -> Section {
    Section::new("The numbers")
        .table(table(entries, linked))
        .note(TERMS)
}

fn thumbnails(entries: &[Entry]) -> Section {
    let shown = (1usize..).zip(entries).zip(labels(entries)).filter_map(|((place, entry), label)| {
        let row = entry.outcome.as_ref().ok()?;
        Some(Thumbnail {
            label: text!("{}. {}", place, label),
            link: Some(link(&entry.folder)),
            sketch: row.sketch.clone(),
            words: text!("{}: listening window from 20 Hz to 20 kHz, deviation from the target {} rms before and {} after", name(&row.speaker), db(row.deviation_before_db, 1), db(row.deviation_after_db, 1)),
            caption: text!("{}; {} \u{2192} {}", grade(row.grade), number(row.deviation_before_db, 1), db(row.deviation_after_db, 1)),
        })
    });
    Section::new("The listening windows")
        .note(sketch::reading())
        .with(Block::Thumbnails(shown.collect()))
}

fn how_to_repeat(about: &About) -> Section {
    Section::new("How to repeat this").with(Block::Facts(program(&about.version, &about.command)))
}

/// A relative link to the report in `folder`: every byte that has a meaning in a link is coded.
/// Source: RFC 3986, 2.1 and 2.3.
fn link(folder: &Path) -> String {
    let mut out = String::from("./");
    for part in folder.components() {
        for byte in part.as_os_str().as_encoded_bytes() {
            match byte {
                b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                    out.push(char::from(*byte));
                }
                _ => out += &format!("%{byte:02X}"),
            }
        }
        out.push('/');
    }
    out + "report.html"
}

/// The page of plans side by side, two at least and [`MOST_PLANS`] at most.
///
/// # Errors
/// When there are more or fewer, they have no frequency in common, or a picture cannot be drawn.
pub fn compare_page(plans: &[Plan], about: &About) -> Result<String> {
    if !(2..=MOST_PLANS).contains(&plans.len()) {
        return Err(Error::range(
            "the number of plans to compare",
            plans.len().to_string(),
            format!("between 2 and {MOST_PLANS}"),
        ));
    }
    let entries = entries(plans);
    let labels = labels(&entries);
    let title = Text::from("Plans side by side");
    let mut sections = vec![numbers(&entries, false)];
    sections.extend(pictures(plans, &labels)?.into_iter().map(|picture| {
        let caption = picture.scale.clone();
        Section::new(picture.title).with(Block::Figure { picture, caption })
    }));
    sections.extend([
        Section::new("In words").with(counted(plans.iter().map(statement))),
        how_to_repeat(about),
        cautions(),
    ]);
    let document = Document {
        kicker: "Equalization plans",
        title: title.clone(),
        opening: Section::default().with(counted(labels)),
        sections,
        ..Document::default()
    };
    Ok(page::render(&document, &title, &about.version))
}

fn counted(texts: impl IntoIterator<Item = Text>) -> Block {
    Block::List {
        numbered: true,
        items: texts.into_iter().map(Item::from).collect(),
    }
}

/// The plans as lines of a table; their folders are not known here.
pub fn entries(plans: &[Plan]) -> Vec<Entry> {
    (1..)
        .zip(plans)
        .map(|(number, plan)| Entry {
            folder: format!("plan {number}").into(),
            outcome: Ok(Summary::of(plan)),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_lead_to_the_report_whatever_the_folder_is_called() {
        assert_eq!(link(Path::new("")), "./report.html");
        assert_eq!(
            link(Path::new("shelf 1/a\"<b>#?é")),
            "./shelf%201/a%22%3Cb%3E%23%3F%C3%A9/report.html"
        );
    }
}
