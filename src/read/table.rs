//! Numeric tables: a frequency first, then numbers.
//!
//! Fields stand between commas, semicolons, tabs or blanks; where the separator is not a comma,
//! the decimal sign may be one. Skipped are empty lines, comment lines (they begin with `#`,
//! `;`, `*`, `"`, `//` or `%`), unit lines (`Hz,dB,dB`) and words above the first row of
//! numbers. The last of those that names the frequency in its first field is the header; where
//! a header is needed and none stands there, a comment line that does so will do. A line that begins with a whole field in quotes followed by a separator is a row of quoted
//! fields, not a comment. The end of a line may be LF, CRLF or CR; a separator at the end of a
//! line closes its last field. Rows may come in any order and are sorted.

use super::fields::{
    Field, MOST_FIELDS, Separator, begins_like_a_number, is_comment, is_unit, names_frequency,
    number, split,
};
use super::input::Input;
use super::source::Source;
use super::text::{self, shown};
use crate::curve::Grid;
use crate::error::{Error, Result};
use std::path::Path;

/// Fewer rows make no curve. Source: DESIGN, section 5.
pub const LEAST_ROWS: usize = 8;

/// The most numbers a table may hold: 72 angles at 10 000 points per octave over ten octaves.
/// Keeps what a hostile file can ask for below 100 MiB.
const MOST_NUMBERS: usize = 10_000_000;

/// The most rows of a table: ten times what the densest of them has.
const MOST_ROWS: usize = 1_000_000;

/// The most lines of a table, comments and empty ones too: twice the most rows.
const MOST_LINES: usize = 2_000_000;

/// What one column holds and what is believed of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    /// As messages say it.
    pub what: &'static str,
    pub from: f64,
    pub to: f64,
    /// The limits in words.
    pub range: &'static str,
}

/// Frequencies; ten megahertz is beyond any sound.
const FREQUENCY: Column = Column {
    what: "a frequency in Hz",
    from: f64::MIN_POSITIVE,
    to: 1e7,
    range: "a frequency above 0 Hz and at most 10 MHz",
};

/// Levels and gains; a thousand decibels is beyond any physics and still far from the limits
/// of the arithmetic.
pub(super) const LEVEL: Column = Column {
    what: "a level in dB",
    from: -1000.0,
    to: 1000.0,
    range: "a level between -1000 and 1000 dB",
};

/// Phases, wrapped or not.
pub(super) const PHASE: Column = Column {
    what: "a phase in degrees",
    from: -1e9,
    to: 1e9,
    range: "a phase between -1e9 and 1e9 degrees",
};

/// What a table of some kind must look like.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    /// The columns after the frequency; the last one repeats where more are allowed.
    pub columns: &'static [Column],
    /// The fewest and the most columns, frequency included.
    pub width: (usize, usize),
    /// Whether a header must name the columns.
    pub named: bool,
    /// How many leading columns make a row different from another one.
    pub keys: usize,
}

impl Shape {
    fn column(&self, index: usize) -> &Column {
        match index {
            0 => &FREQUENCY,
            i => &self.columns[(i - 1).min(self.columns.len() - 1)],
        }
    }
}

/// A field of the header.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Name {
    pub text: String,
    pub column: usize,
}

/// The line that names the columns.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub line: usize,
    pub names: Vec<Name>,
}

/// A table, sorted by its keys, no key twice.
#[derive(Debug, Clone)]
pub(super) struct Table {
    pub source: Source,
    pub header: Option<Header>,
    /// Ascending; strictly so unless the shape has more than one key.
    pub freqs_hz: Vec<f64>,
    /// The columns after the frequency.
    pub columns: Vec<Vec<f64>>,
    separator: Separator,
    /// Line number and first byte of every row as sorted.
    rows: Vec<(usize, usize)>,
}

impl Table {
    /// Reads a table of the given shape.
    pub fn read(input: &dyn Input, name: &Path, shape: &Shape) -> Result<Table> {
        Table::parse(Source::read(input, name)?, shape)
    }

    /// The table in a text.
    pub fn parse(source: Source, shape: &Shape) -> Result<Table> {
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
        let (header, columns, places) = rows.finish(last_line)?;
        sorted(source, shape, separator, header, columns, places)
    }

    /// The frequencies as a grid.
    pub fn grid(&self) -> Result<Grid> {
        Grid::new(self.freqs_hz.clone()).ok_or_else(|| {
            Error::in_file(
                &self.source.file,
                "frequencies that make no axis",
                "ascending frequencies",
            )
        })
    }

    /// The names of the columns after the frequency; none without a header.
    pub fn names(&self) -> &[Name] {
        let header = self.header.as_ref();
        header.map_or(&[], |header| &header.names[1..])
    }

    /// An error at a number of the table: `row` as sorted, `column` 0 for the frequency.
    pub fn wrong(&self, row: usize, column: usize, expected: &str) -> Error {
        let place = self.rows[row];
        let (found, at) = field_in(&self.source, self.separator, place, column);
        Error::at(&self.source.file, place.0, at, shown(&found), expected)
    }

    /// An error at a name of the header.
    pub fn wrong_name(&self, name: &Name, found: impl Into<String>, expected: &str) -> Error {
        let line = self.header.as_ref().map_or(1, |header| header.line);
        Error::at(&self.source.file, line, name.column, found, expected)
    }

    /// An error about the columns as a whole, placed at the header.
    pub fn wrong_header(&self, found: impl Into<String>, expected: impl Into<String>) -> Error {
        let line = self.header.as_ref().map_or(1, |header| header.line);
        Error::at(&self.source.file, line, 1, found, expected)
    }

    /// An error about the rows as a whole, placed at the last in order.
    pub fn wrong_end(&self, found: impl Into<String>, expected: impl Into<String>) -> Error {
        let line = self.rows.last().map_or(1, |(line, _)| *line);
        Error::at(&self.source.file, line, 1, found, expected)
    }

    /// The column, 0 for the first after the frequency, whose name in the header holds one of
    /// `words`; `None` without a header or such a name.
    pub fn column_named(&self, words: &[&str]) -> Option<usize> {
        let header = self.header.as_ref()?;
        if header.names.len() != self.columns.len() + 1 {
            return None;
        }
        header.names[1..].iter().position(|name| {
            let lower = name.text.to_lowercase();
            words.iter().any(|word| lower.contains(word))
        })
    }
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

type Finished = (Option<Header>, Vec<Vec<f64>>, Vec<(usize, usize)>);

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
            Some(_) => Ok((self.header, self.columns, self.places)),
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

/// A field of the line at `place` (its number and first byte), and the column it begins in.
fn field_in(
    source: &Source,
    separator: Separator,
    place: (usize, usize),
    index: usize,
) -> (String, usize) {
    let line = text::lines(&source.text[place.1..])
        .next()
        .map_or("", |l| l.text);
    let mut fields = Vec::new();
    split(line, separator, &mut fields);
    let (found, at) = fields
        .get(index)
        .map_or(("", 0), |field| (field.of(line), field.start));
    (found.to_string(), text::column(line, at))
}

/// Rows in ascending order, those that say the same twice only once.
fn sorted(
    source: Source,
    shape: &Shape,
    separator: Separator,
    header: Option<Header>,
    mut columns: Vec<Vec<f64>>,
    places: Vec<(usize, usize)>,
) -> Result<Table> {
    let keys = shape.keys.min(columns.len());
    let by_key = |a: &usize, b: &usize| {
        columns[..keys]
            .iter()
            .map(|column| column[*a].total_cmp(&column[*b]))
            .find(|o| o.is_ne())
            .unwrap_or(std::cmp::Ordering::Equal)
    };
    // Nearly every table is sorted as it comes.
    let is_sorted = (1..places.len()).all(|i| by_key(&(i - 1), &i).is_lt());
    let last_line = places.last().map_or(1, |(line, _)| *line);
    let rows = if is_sorted {
        places
    } else {
        let mut order: Vec<usize> = (0..places.len()).collect();
        // Stable: of equal keys the one that stands first in the file comes first.
        order.sort_by(by_key);
        let mut kept: Vec<usize> = Vec::with_capacity(order.len());
        let mut contradiction: Option<(usize, usize)> = None;
        for i in order {
            match kept.last() {
                Some(last) if by_key(last, &i).is_eq() => {
                    if columns.iter().any(|column| column[*last] != column[i])
                        && contradiction.is_none_or(|(_, later)| i < later)
                    {
                        contradiction = Some((*last, i));
                    }
                }
                _ => kept.push(i),
            }
        }
        if let Some((first, later)) = contradiction {
            let value = columns[0][later];
            let what = if keys > 1 {
                "frequency and level"
            } else {
                "frequency"
            };
            let (_, column) = field_in(&source, separator, places[later], 0);
            let first_line = places[first].0;
            return Err(Error::at(
                &source.file,
                places[later].0,
                column,
                format!("{value} Hz again with another value than in line {first_line}"),
                format!("every {what} once"),
            ));
        }
        for column in &mut columns {
            *column = kept.iter().map(|i| column[*i]).collect();
        }
        kept.iter().map(|i| places[*i]).collect()
    };
    let mut columns = columns.into_iter();
    let table = Table {
        source,
        header,
        separator,
        freqs_hz: columns.next().unwrap_or_default(),
        columns: columns.collect(),
        rows,
    };
    if table.rows.len() < LEAST_ROWS {
        return Err(Error::at(
            &table.source.file,
            last_line,
            1,
            match table.rows.len() {
                1 => "1 row of numbers up to here".to_string(),
                count => format!("{count} rows of numbers up to here"),
            },
            format!("at least {LEAST_ROWS} with different frequencies"),
        ));
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use super::*;

    const NARROW: Shape = Shape {
        columns: &[LEVEL, PHASE],
        width: (2, 3),
        named: false,
        keys: 1,
    };

    fn parse(text: &str) -> Result<Table> {
        let source = Source::from_bytes(Path::new("t.txt"), text.as_bytes().to_vec())?;
        Table::parse(source, &NARROW)
    }

    fn message(text: &str) -> String {
        parse(text).unwrap_err().to_string()
    }

    fn rows(separator: &str, end: &str, decimal: &str) -> String {
        (0..9)
            .map(|i| format!("{}00{separator}-{i}{decimal}5{end}", 9 - i))
            .collect()
    }

    #[test]
    fn any_separator_line_end_and_decimal_sign_is_read() {
        for (separator, decimal) in [
            (",", "."),
            (", ", "."),
            (";", "."),
            (";", ","),
            ("\t", ","),
            ("  ", ","),
            (" \t ", "."),
        ] {
            for end in ["\n", "\r\n", "\r"] {
                let table = parse(&rows(separator, end, decimal)).unwrap();
                assert_eq!(table.freqs_hz[0], 100.0);
                assert_eq!(table.columns[0][0], -8.5, "{separator:?} {decimal} {end:?}");
            }
        }
    }

    #[test]
    fn comments_headers_and_units_are_skipped() {
        let text = format!(
            "\u{FEFF}* made by hand\n\"quoted remark\n// more\n% x\nFrequency SPL\nHz dB\n\n{}; end\n",
            rows(" ", "\n", ".")
        );
        assert_eq!(parse(&text).unwrap().freqs_hz.len(), 9);
    }

    #[test]
    fn an_equal_row_counts_once_and_a_contradiction_is_placed() {
        let table = parse(&format!("{}900,-0.5\n", rows(",", "\n", "."))).unwrap();
        assert_eq!(table.freqs_hz.len(), 9);
        assert_eq!(
            message(&format!("{} 900,-0.6\n", rows(",", "\n", "."))),
            "t.txt:10:2: found 900 Hz again with another value than in line 1, expected every frequency once"
        );
    }

    #[test]
    fn what_is_no_number_is_placed() {
        let table = rows(",", "\n", ".");
        for (extra, wanted) in [
            (
                "1000, n/a",
                "t.txt:10:7: found \"n/a\", expected a level in dB",
            ),
            (
                "1000,NaN",
                "t.txt:10:6: found \"NaN\", expected a level in dB",
            ),
            (
                "1000,inf",
                "t.txt:10:6: found \"inf\", expected a level in dB",
            ),
            (
                "1000,1e999",
                "t.txt:10:6: found \"1e999\", expected a level in dB",
            ),
            (
                "1000,",
                "t.txt:10:6: found 1 field, expected 2 as in line 1",
            ),
            (
                "1000,1,2",
                "t.txt:10:8: found 3 fields, expected 2 as in line 1",
            ),
            (
                "x1000,1",
                "t.txt:10:1: found \"x1000\", expected a frequency in Hz",
            ),
            (
                "0,1",
                "t.txt:10:1: found \"0\", expected a frequency above 0 Hz and at most 10 MHz",
            ),
        ] {
            assert_eq!(message(&format!("{table}{extra}")), wanted);
        }
        assert_eq!(
            message(&format!("o20,1\n{table}")),
            "t.txt:1:1: found \"o20\", expected a frequency in Hz"
        );
    }

    #[test]
    fn a_thousands_comma_is_not_taken_for_a_decimal_sign() {
        let text = rows(" ", "\n", ".") + "1,000 85.3\n";
        assert_eq!(
            message(&text),
            "t.txt:10:1: found \"1,000\", expected the decimal sign \".\" as in line 1"
        );
    }

    #[test]
    fn frequencies_in_kilohertz_are_refused() {
        let text = format!("kHz,dB\n{}", rows(",", "\n", "."));
        assert_eq!(
            message(&text),
            "t.txt:1:1: found \"kHz\", expected frequencies in Hz"
        );
    }
}
