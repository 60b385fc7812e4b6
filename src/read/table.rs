//! Numeric tables: a frequency first, then numbers.
//!
//! Fields stand between commas, semicolons, tabs or blanks; where the separator is not a comma,
//! the decimal sign may be one. Skipped are empty lines, comment lines (they begin with `#`,
//! `;`, `*`, `"`, `//` or `%`), unit lines (`Hz,dB,dB`) and words above the first row of
//! numbers. The last of those that names the frequency in its first field is the header; where
//! a header is needed and none stands there, a comment line that does so will do. A line that begins with a whole field in quotes followed by a separator is a row of quoted
//! fields, not a comment. The end of a line may be LF, CRLF or CR; a separator at the end of a
//! line closes its last field. Rows may come in any order and are sorted.

use super::fields::{Separator, split};
use super::input::Input;
use super::rows::{self, Finished};
use super::shape::{Header, Name, Shape};
use super::source::Source;
use super::text::{self, shown};
use crate::curve::Grid;
use crate::error::{Error, Result};
use std::path::Path;

/// Fewer rows make no curve. Source: DESIGN, section 5.
pub const LEAST_ROWS: usize = 8;

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
        let read = rows::read(&source, shape)?;
        sorted(source, shape, read)
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
fn sorted(source: Source, shape: &Shape, read: Finished) -> Result<Table> {
    let Finished {
        separator,
        header,
        mut columns,
        places,
    } = read;
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
    use crate::read::shape::{LEVEL, PHASE};

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
