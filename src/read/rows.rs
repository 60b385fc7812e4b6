//! The lines of a table, one after the other: what is skipped, what is a header, what is a row.

use super::fields::{
    Field, MOST_FIELDS, Separator, begins_like_a_number, is_comment, is_unit, names_frequency,
    number, split,
};
use super::shape::{FREQUENCY, Header, Name, Shape};
use super::source::Source;
use super::text::{self, shown};
use crate::error::{Error, Result};
use std::path::Path;

/// The most numbers a table may hold: 72 angles at 10 000 points per octave over ten octaves.
/// Keeps what a hostile file can ask for below 100 MiB.
const MOST_NUMBERS: usize = 10_000_000;

/// The most rows of a table: ten times what the densest of them has.
const MOST_ROWS: usize = 1_000_000;

/// The most lines of a table, comments and empty ones too: twice the most rows.
const MOST_LINES: usize = 2_000_000;

/// The rows of the table in `source`, in the order of the file.
pub(super) fn read(source: &Source, shape: &Shape) -> Result<Finished> {
    if source.text.trim().is_empty() {
        return Err(Error::at(
            &source.file,
            1,
            1,
            "an empty file",
            "a table with frequencies in its first column",
        ));
    }
    if let Some(line) = text::lines(&source.text).nth(MOST_LINES) {
        return Err(Error::at(
            &source.file,
            line.number,
            1,
            "more than two million lines",
            "a table of at most two million lines",
        ));
    }
    let separator = Separator::of(&source.text);
    let mut rows = Rows {
        file: &source.file,
        shape,
        separator,
        header: None,
        commented_header: None,
        columns: Vec::new(),
        places: Vec::new(),
        width: None,
        decimal_sign: None,
    };
    let mut fields = Vec::new();
    let mut last_line = 1;
    for line in text::lines(&source.text) {
        last_line = line.number;
        if is_comment(line.text) {
            if rows.places.is_empty() {
                rows.commented_heading(line, &mut fields);
            }
            continue;
        }
        if line.text.trim().is_empty() {
            continue;
        }
        split(line.text, separator, &mut fields);
        if fields.iter().all(|field| field.start == field.end) {
            continue;
        }
        if rows.places.is_empty() && !begins_like_a_number(fields[0].of(line.text)) {
            rows.heading(line, &fields)?;
        } else {
            rows.row(line, &fields)?;
        }
    }
    rows.finish(last_line)
}

/// A table while its lines are read.
struct Rows<'a> {
    file: &'a Path,
    shape: &'a Shape,
    separator: Separator,
    header: Option<Header>,
    /// A comment line that would do as header where no other is.
    commented_header: Option<Header>,
    /// The frequencies and what stands beside them.
    columns: Vec<Vec<f64>>,
    places: Vec<(usize, usize)>,
    width: Option<usize>,
    /// The first decimal sign met in a file whose separator is not a comma, and its line.
    decimal_sign: Option<(char, usize)>,
}

/// All rows, in the order of the file.
pub(super) struct Finished {
    pub separator: Separator,
    pub header: Option<Header>,
    /// The frequencies and what stands beside them.
    pub columns: Vec<Vec<f64>>,
    /// Line number and first byte of every row.
    pub places: Vec<(usize, usize)>,
}

impl Rows<'_> {
    /// A line of words above the first row of numbers.
    fn heading(&mut self, line: text::Line, fields: &[Field]) -> Result<()> {
        let error = |field: Field, expected: &str| {
            Error::at(
                self.file,
                line.number,
                text::column(line.text, field.start),
                shown(field.of(line.text)),
                expected,
            )
        };
        let first = fields[0].of(line.text);
        let is_frequency = names_frequency(first);
        let units = fields.iter().all(|field| is_unit(field.of(line.text)));
        if (is_frequency || units) && first.to_lowercase().contains("khz") {
            return Err(error(fields[0], "frequencies in Hz"));
        }
        if units && fields.len() > 1 {
            return Ok(());
        }
        let others_are_numbers = fields.len() > 1
            && fields[1..].iter().all(|field| {
                number(field.of(line.text), self.separator != Separator::Comma).is_some()
            });
        if others_are_numbers && !(self.shape.named && is_frequency) {
            return Err(error(fields[0], FREQUENCY.what));
        }
        if is_frequency {
            self.header = Some(header(line, fields));
        }
        Ok(())
    }

    /// A comment line above the first row of numbers: kept when it names columns.
    fn commented_heading(&mut self, line: text::Line, fields: &mut Vec<Field>) {
        let marks = |c: char| c.is_whitespace() || "#;*%/".contains(c);
        let start = line.text.len() - line.text.trim_start_matches(marks).len();
        split(&line.text[start..], self.separator, fields);
        for field in fields.iter_mut() {
            field.start += start;
            field.end += start;
        }
        if fields.len() > 1 && names_frequency(fields[0].of(line.text)) {
            self.commented_header = Some(header(line, fields));
        }
    }

    fn row(&mut self, line: text::Line, fields: &[Field]) -> Result<()> {
        let width = match self.width {
            Some(width) => width,
            None => self.first_width(line, fields)?,
        };
        if fields.len() != width {
            let by = match &self.header {
                Some(header) if self.shape.named => format!("the header in line {}", header.line),
                _ => format!("line {}", self.places[0].0),
            };
            let column = match fields.get(width) {
                Some(extra) => text::column(line.text, extra.start),
                None => text::column(line.text, line.text.len()),
            };
            return Err(Error::at(
                self.file,
                line.number,
                column,
                fields_in_words(fields.len()),
                format!("{width} as in {by}"),
            ));
        }
        for (index, field) in fields.iter().enumerate() {
            let value = self.value(line, *field, index)?;
            self.columns[index].push(value);
        }
        if width * (self.places.len() + 1) > MOST_NUMBERS {
            return Err(Error::at(
                self.file,
                line.number,
                1,
                "more than 10 million numbers",
                "a table of at most 10 million numbers",
            ));
        }
        if self.places.len() == MOST_ROWS {
            return Err(Error::at(
                self.file,
                line.number,
                1,
                "more than a million rows",
                "a table of at most a million rows",
            ));
        }
        self.places.push((line.number, line.start));
        Ok(())
    }

    /// The number of fields that all rows must have.
    fn first_width(&mut self, line: text::Line, fields: &[Field]) -> Result<usize> {
        if self.header.is_none() && self.shape.named {
            self.header = self.commented_header.take();
        }
        let (least, most) = self.shape.width;
        let width = match &self.header {
            Some(header) if self.shape.named => header.names.len(),
            None if self.shape.named => {
                return Err(Error::at(
                    self.file,
                    line.number,
                    1,
                    "numbers without a header above them",
                    "a header that names the columns, freq_hz first",
                ));
            }
            _ => fields.len(),
        };
        if width < least || width > most {
            let column = fields
                .get(most)
                .map_or(line.text.len(), |field| field.start);
            let names: Vec<&str> = (0..most.min(self.shape.columns.len() + 1))
                .map(|i| self.shape.column(i).what)
                .collect();
            return Err(Error::at(
                self.file,
                line.number,
                text::column(line.text, column),
                fields_in_words(width),
                format!(
                    "{}{}",
                    names.join(", "),
                    if most > least && most == names.len() {
                        " (the last may be missing)"
                    } else {
                        ""
                    }
                ),
            ));
        }
        // The row that fails to match the header is told so by the caller.
        if self.places.is_empty() && fields.len() == width {
            self.width = Some(width);
            self.columns = vec![Vec::new(); width];
        }
        Ok(width)
    }

    fn value(&mut self, line: text::Line, field: Field, index: usize) -> Result<f64> {
        let found = field.of(line.text);
        let column = self.shape.column(index);
        let wrong = |expected: String| {
            let found = if found.is_empty() {
                "an empty field".to_string()
            } else {
                shown(found)
            };
            Error::at(
                self.file,
                line.number,
                text::column(line.text, field.start),
                found,
                expected,
            )
        };
        let decimal_comma = self.separator != Separator::Comma;
        let value = number(found, decimal_comma).ok_or_else(|| wrong(column.what.to_string()))?;
        if !(column.from..=column.to).contains(&value) {
            return Err(wrong(column.range.to_string()));
        }
        if decimal_comma && let Some(sign) = found.chars().find(|c| *c == ',' || *c == '.') {
            let (first, first_line) = *self.decimal_sign.get_or_insert((sign, line.number));
            if first != sign {
                // "1,000" beside "85.3" would be read as one, not as a thousand.
                return Err(wrong(format!(
                    "the decimal sign \"{first}\" as in line {first_line}"
                )));
            }
        }
        Ok(value)
    }

    fn finish(self, last_line: usize) -> Result<Finished> {
        match self.width {
            Some(_) => Ok(Finished {
                separator: self.separator,
                header: self.header,
                columns: self.columns,
                places: self.places,
            }),
            None => Err(Error::at(
                self.file,
                last_line,
                1,
                "no row of numbers up to here",
                "a table with frequencies in its first column",
            )),
        }
    }
}

fn header(line: text::Line, fields: &[Field]) -> Header {
    // Counted on from name to name: from the start of a long line each time would take for ever.
    let (mut at, mut column) = (0, 1);
    let names = fields.iter().map(|field| {
        column += line.text[at..field.start].chars().count();
        at = field.start;
        Name {
            text: field.of(line.text).to_string(),
            column,
        }
    });
    Header {
        line: line.number,
        names: names.collect(),
    }
}

fn fields_in_words(count: usize) -> String {
    match count {
        1 => "1 field".to_string(),
        count if count > MOST_FIELDS => format!("more than {MOST_FIELDS} fields"),
        count => format!("{count} fields"),
    }
}
