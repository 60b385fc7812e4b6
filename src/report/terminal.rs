//! Renders a document for a terminal: at most 80 columns, colours only where they are wanted.

use super::document::{Block, Column, Document, Item, Medium, Row, Section, Table};
use super::span::Text;
use crate::findings::Decision;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Widest line.
pub const COLUMNS: usize = 80;

/// Points and tables stand so far in.
const INDENT: usize = 2;

/// Whether the reader is a terminal that shows colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paint {
    /// Letters only.
    Plain,
    /// Headings bold and decisions coloured, each still said in words.
    Coloured,
}

/// ECMA-48: bold.
const BOLD: u8 = 1;

impl Paint {
    /// `text` in the look of `code`, a number of ECMA-48, 8.3.117 (select graphic rendition).
    fn on(self, text: &str, code: u8) -> String {
        match self {
            Paint::Plain => text.to_string(),
            Paint::Coloured => format!("\u{1b}[{code}m{text}\u{1b}[0m"),
        }
    }
}

/// The terminal's own green, yellow and red (ECMA-48) for what was decided.
fn decision_code(decision: Decision) -> u8 {
    match decision {
        Decision::Correct => 32,
        Decision::Soften => 33,
        Decision::Leave | Decision::Unspent => 31,
    }
}

/// The document as text. Only a [`Block::Line`] may be wider than [`COLUMNS`].
pub fn render(document: &Document, paint: Paint) -> String {
    let mut parts = Vec::new();
    let warnings: Vec<String> = document.warnings.iter().map(|w| wrapped(w, 0, 0)).collect();
    parts.push(warnings.concat());
    let mut opening = String::new();
    if document.title_on.includes(Medium::Terminal) {
        for line in wrapped(&document.title, 0, 0).lines() {
            opening += &paint.on(line, BOLD);
            opening.push('\n');
        }
    }
    parts.push(opening + &section(&document.opening, paint));
    parts.extend(document.sections.iter().map(|s| section(s, paint)));
    parts.retain(|part| !part.is_empty());
    parts.join("\n")
}

/// Blocks below each other, tables with an empty line before and after.
fn section(section: &Section, paint: Paint) -> String {
    let mut out = String::new();
    if section.heading_on.includes(Medium::Terminal) {
        out += &wrapped(&section.heading.into(), 0, 0);
    }
    let mut after_table = false;
    for (on, block) in &section.blocks {
        if !on.includes(Medium::Terminal) {
            continue;
        }
        let is_table = matches!(block, Block::Table(_));
        let text = self::block(block, paint);
        if (is_table || after_table) && !out.is_empty() && !text.is_empty() {
            out.push('\n');
        }
        after_table = is_table;
        out += &text;
    }
    out
}

fn block(block: &Block, paint: Paint) -> String {
    match block {
        Block::Paragraph(_, text) => wrapped(text, 0, 0),
        Block::Line(text) => format!("{text}\n"),
        Block::List { numbered, items } => (1..)
            .zip(items)
            .map(|(number, item)| point(numbered.then_some(number), item))
            .collect(),
        Block::Table(shown) => table(shown, paint),
        Block::KeyFigures(figures) => figures
            .iter()
            .map(|[name, value, note]| wrapped(&line_of(&[name, value, note]), INDENT, INDENT))
            .collect(),
        Block::Facts(facts) => facts
            .iter()
            .map(|(name, value)| {
                let mut text = Text::from(*name);
                text += ": ";
                text += value.clone();
                wrapped(&text, INDENT, INDENT)
            })
            .collect(),
        Block::Details { lines, .. } => lines
            .iter()
            .map(|line| wrapped(line, INDENT, INDENT))
            .collect(),
        Block::Figure { .. } | Block::Thumbnails(_) | Block::Folded { .. } => String::new(),
    }
}

fn line_of(parts: &[&Text]) -> Text {
    Text::joined(parts.iter().map(|part| (*part).clone()), " ")
}

fn point(number: Option<usize>, item: &Item) -> String {
    let (text, under) = match number {
        None => (item.text.clone(), INDENT),
        Some(number) => {
            let mut text = Text::from(number);
            text += ". ";
            text += item.text.clone();
            (text, INDENT + 1)
        }
    };
    let mut out = wrapped(&text, INDENT, INDENT);
    for line in &item.under {
        out += &wrapped(line, INDENT + under, INDENT + under);
    }
    out
}

/// `text` broken at blanks into lines of at most [`COLUMNS`], the first behind `first` blanks and
/// the others behind `rest`; words longer than a line are broken where it ends.
fn wrapped(text: &Text, first: usize, rest: usize) -> String {
    let text = text.to_string();
    let mut out = String::new();
    let mut line = String::new();
    let mut indent = first;
    let mut close = |line: &mut String, indent: &mut usize| {
        if !line.is_empty() {
            out += &" ".repeat(*indent);
            out += line;
            out.push('\n');
            line.clear();
            *indent = rest;
        }
    };
    for word in text.split_whitespace() {
        if !line.is_empty() && line.width() + 1 + word.width() > COLUMNS - indent {
            close(&mut line, &mut indent);
        }
        if !line.is_empty() {
            line.push(' ');
        }
        for letter in word.chars() {
            if line.width() + letter.width().unwrap_or(0) > COLUMNS - indent {
                close(&mut line, &mut indent);
            }
            line.push(letter);
        }
    }
    close(&mut line, &mut indent);
    out
}

/// The mark of the chosen row.
const CHOSEN: &str = "  <-";

/// A table in lines. Columns are as wide as what they hold; where that is too wide for the
/// terminal they move together, and the widest columns of words are cut.
fn table(table: &Table, paint: Paint) -> String {
    let shown: Vec<usize> = (0..table.columns.len())
        .filter(|i| table.columns[*i].on.includes(Medium::Terminal))
        .collect();
    let headings: Vec<String> = shown.iter().map(|i| heading(&table.columns[*i])).collect();
    let cells = |row: &Row| -> Vec<String> {
        let cell = |i: &usize| {
            row.cells
                .get(*i)
                .map_or(String::new(), |c| c.text.to_string())
        };
        shown.iter().map(cell).collect()
    };
    let rows: Vec<Vec<String>> = table.rows.iter().map(cells).collect();
    let mut widths: Vec<usize> = headings.iter().map(|h| h.width()).collect();
    for row in &rows {
        for (width, cell) in widths.iter_mut().zip(row) {
            *width = (*width).max(cell.width());
        }
    }
    let marked = table.rows.iter().any(|row| row.chosen);
    let room = COLUMNS - INDENT - if marked { CHOSEN.len() } else { 0 };
    let taken = |widths: &[usize], gap: usize| {
        widths.iter().sum::<usize>() + gap * widths.len().saturating_sub(1)
    };
    let gap = if taken(&widths, 2) <= room { 2 } else { 1 };
    let is_words = |place: &usize| table.columns[shown[*place]].words;
    while taken(&widths, gap) > room {
        let cuttable = |place: &usize| is_words(place) && widths[*place] > NARROWEST;
        let widest = (0..shown.len())
            .filter(cuttable)
            .max_by_key(|place| widths[*place]);
        let Some(widest) = widest else { break };
        widths[widest] -= 1;
    }
    let line = |cells: &[String], look: &dyn Fn(usize, &str) -> String| {
        let mut line = " ".repeat(INDENT);
        for (place, (cell, width)) in cells.iter().zip(&widths).enumerate() {
            if place > 0 {
                line += &" ".repeat(gap);
            }
            let cell = cut(cell, *width);
            let blanks = " ".repeat(width.saturating_sub(cell.width()));
            let last = place + 1 == cells.len();
            line += &match (is_words(&place), last) {
                (true, true) => look(place, &cell),
                (true, false) => look(place, &cell) + &blanks,
                (false, _) => blanks + &look(place, &cell),
            };
        }
        line
    };
    let plain = |_: usize, cell: &str| cell.to_string();
    let mut out = String::new();
    if headings.iter().any(|heading| !heading.is_empty()) {
        out += &paint.on(line(&headings, &plain).trim_end(), BOLD);
        out.push('\n');
    }
    for (row, cells) in table.rows.iter().zip(&rows) {
        let coloured = |place: usize, cell: &str| match row
            .cells
            .get(shown[place])
            .and_then(|cell| cell.decision)
        {
            Some(decision) => paint.on(cell, decision_code(decision)),
            None => cell.to_string(),
        };
        let line = line(cells, &coloured);
        out += &match row.chosen {
            true => paint.on(&line, BOLD) + CHOSEN,
            false => line.trim_end().to_string(),
        };
        out.push('\n');
    }
    out + &reasons(table)
}

/// No column is cut to less.
const NARROWEST: usize = 8;

/// What is said of the rows, by their numbers.
fn reasons(table: &Table) -> String {
    let said: String = (1usize..)
        .zip(&table.rows)
        .filter_map(|(number, row)| {
            let mut text = Text::from(number);
            text += ": ";
            text += row.reason.clone()?;
            Some(wrapped(&text, INDENT, INDENT))
        })
        .collect();
    match said.is_empty() {
        true => said,
        false => format!("\n{said}"),
    }
}

fn heading(column: &Column) -> String {
    match column.unit {
        "" => column.heading.to_string(),
        unit => format!("{} {unit}", column.heading),
    }
}

/// `text` in no more than `width` columns, with dots where it is longer.
fn cut(text: &str, width: usize) -> String {
    const DOTS: &str = "...";
    if text.width() <= width {
        return text.to_string();
    }
    let mut kept = String::new();
    for letter in text.chars() {
        if kept.width() + letter.width().unwrap_or(0) + DOTS.len() > width {
            break;
        }
        kept.push(letter);
    }
    kept + DOTS
}
