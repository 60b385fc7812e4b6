//! TOML documents read strictly: every key known, every value placed.

use super::source::Source;
use super::text::{nearest, place, shown};
use crate::error::{Error, Result};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A parsed document.
pub(super) struct Document<'a> {
    source: &'a Source,
    root: Spanned<DeTable<'a>>,
}

/// A value and the byte where it stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Spot<T> {
    pub value: T,
    pub at: usize,
}

/// A table of the document.
#[derive(Clone, Copy)]
pub(super) struct Section<'a> {
    source: &'a Source,
    entries: &'a DeTable<'a>,
    /// Name as messages say it; empty for the document itself.
    name: &'a str,
    at: usize,
}

/// One value of an array or table entry.
#[derive(Clone, Copy)]
pub(super) struct Value<'a> {
    source: &'a Source,
    value: &'a Spanned<DeValue<'a>>,
}

impl<'a> Document<'a> {
    pub fn parse(source: &'a Source) -> Result<Document<'a>> {
        let root = DeTable::parse(&source.text).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start);
            let (line, column) = place(&source.text, at);
            Error::at(
                &source.file,
                line,
                column,
                format!("no valid TOML ({})", error.message()),
                "lines of the form key = value",
            )
        })?;
        Ok(Document { source, root })
    }

    /// The whole document as a section.
    pub fn root(&'a self) -> Section<'a> {
        Section {
            source: self.source,
            entries: self.root.get_ref(),
            name: "",
            at: 0,
        }
    }
}

fn error_at(source: &Source, at: usize, found: impl Into<String>, expected: &str) -> Error {
    let (line, column) = place(&source.text, at);
    Error::at(&source.file, line, column, found, expected)
}

impl<'a> Section<'a> {
    /// An error at a byte of the document.
    pub fn wrong(&self, at: usize, found: impl Into<String>, expected: &str) -> Error {
        error_at(self.source, at, found, expected)
    }

    /// An error about the section as a whole, placed at its head.
    pub fn incomplete(&self, found: impl Into<String>, expected: &str) -> Error {
        self.wrong(self.at, found, expected)
    }

    /// Refuses keys that are not `known`, the first of them in the file, and names the nearest.
    pub fn only(&self, known: &[&str]) -> Result<()> {
        let stranger = self
            .entries
            .iter()
            .filter(|(key, _)| !known.contains(&key.get_ref().as_ref()))
            .min_by_key(|(key, _)| key.span().start);
        let Some((key, value)) = stranger else {
            return Ok(());
        };
        let name = key.get_ref().as_ref();
        let what = if value.get_ref().is_table() && self.name.is_empty() {
            "section"
        } else {
            "key"
        };
        let inside = if self.name.is_empty() {
            String::new()
        } else {
            format!(" in [{}]", self.name)
        };
        let error = self.wrong(
            key.span().start,
            format!("the unknown {what} {}{inside}", shown(name)),
            &format!("one of {}", known.join(", ")),
        );
        Err(match nearest(name, known) {
            Some(nearest) => error.with_hint(format!("the nearest known {what} is {nearest}")),
            None => error,
        })
    }

    pub fn get(&self, key: &str) -> Option<Value<'a>> {
        self.entries.get(key).map(|value| Value {
            source: self.source,
            value,
        })
    }

    /// All entries of the section in the order of the file.
    pub fn entries(&self) -> Vec<(&'a str, Value<'a>)> {
        let mut all: Vec<_> = self
            .entries
            .iter()
            .map(|(key, value)| {
                (
                    key.span().start,
                    key.get_ref().as_ref(),
                    Value {
                        source: self.source,
                        value,
                    },
                )
            })
            .collect();
        all.sort_by_key(|entry| entry.0);
        all.into_iter()
            .map(|(_, key, value)| (key, value))
            .collect()
    }

    pub fn section(&self, key: &'a str) -> Result<Option<Section<'a>>> {
        self.get(key).map(|value| value.section(key)).transpose()
    }

    pub fn number(&self, key: &str) -> Result<Option<Spot<f64>>> {
        self.get(key).map(|value| value.number()).transpose()
    }

    pub fn text(&self, key: &str) -> Result<Option<Spot<String>>> {
        self.get(key).map(|value| value.text()).transpose()
    }

    fn missing(&self, key: &str, example: &str) -> Error {
        let found = if self.name.is_empty() {
            format!("no {key}")
        } else {
            format!("no {key} in [{}]", self.name)
        };
        self.incomplete(found, example)
    }

    /// A number that must be there; `example` is shown when it is not.
    pub fn needed_number(&self, key: &str, example: &str) -> Result<Spot<f64>> {
        self.number(key)?.ok_or_else(|| self.missing(key, example))
    }

    /// A text that must be there and not be blank.
    pub fn needed_text(&self, key: &str, example: &str) -> Result<Spot<String>> {
        let text = self.text(key)?.ok_or_else(|| self.missing(key, example))?;
        if text.value.trim().is_empty() {
            return Err(self.wrong(text.at, format!("a blank {key}"), example));
        }
        Ok(text)
    }

    /// A number above 0.
    pub fn positive(&self, key: &str, unit: &str) -> Result<Option<Spot<f64>>> {
        match self.number(key)? {
            Some(spot) if spot.value <= 0.0 => Err(self.wrong(
                spot.at,
                spot.value.to_string(),
                &format!("a {key} above 0 {unit}"),
            )),
            other => Ok(other),
        }
    }
}

impl<'a> Value<'a> {
    pub fn at(&self) -> usize {
        self.value.span().start
    }

    pub fn wrong(&self, expected: &str) -> Error {
        let found = match self.value.get_ref() {
            DeValue::String(text) => shown(text),
            DeValue::Integer(number) => number.to_string(),
            DeValue::Float(number) => number.to_string(),
            other => format!("a value of type {}", other.type_str()),
        };
        error_at(self.source, self.at(), found, expected)
    }

    /// A finite number.
    pub fn number(&self) -> Result<Spot<f64>> {
        let number = match self.value.get_ref() {
            DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
                .ok()
                .map(|whole| whole as f64),
            DeValue::Float(number) => number.as_str().parse::<f64>().ok(),
            _ => None,
        };
        match number.filter(|value| value.is_finite()) {
            Some(value) => Ok(Spot {
                value,
                at: self.at(),
            }),
            None => Err(self.wrong("a number")),
        }
    }

    /// A whole number of at least 1.
    pub fn count(&self) -> Result<usize> {
        match self.value.get_ref() {
            DeValue::Integer(number) => usize::from_str_radix(number.as_str(), number.radix())
                .ok()
                .filter(|count| *count >= 1),
            _ => None,
        }
        .ok_or_else(|| self.wrong("a whole number of at least 1"))
    }

    pub fn text(&self) -> Result<Spot<String>> {
        match self.value.get_ref().as_str() {
            Some(text) => Ok(Spot {
                value: text.to_string(),
                at: self.at(),
            }),
            None => Err(self.wrong("a text in quotes")),
        }
    }

    pub fn section(&self, name: &'a str) -> Result<Section<'a>> {
        match self.value.get_ref().as_table() {
            Some(entries) => Ok(Section {
                source: self.source,
                entries,
                name,
                at: self.at(),
            }),
            None => Err(self.wrong(&format!("the section [{name}]"))),
        }
    }

    pub fn list(&self) -> Result<Vec<Value<'a>>> {
        match self.value.get_ref().as_array() {
            Some(values) => Ok(values
                .iter()
                .map(|value| Value {
                    source: self.source,
                    value,
                })
                .collect()),
            None => Err(self.wrong("a list in brackets")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn source(text: &str) -> Source {
        Source::from_bytes(Path::new("a.toml"), text.as_bytes().to_vec()).unwrap()
    }

    #[test]
    fn an_unknown_key_is_placed_and_the_nearest_named() {
        let source = source("[one]\nfirst = 1\nsecnd = 2\n");
        let document = Document::parse(&source).unwrap();
        let section = document.root().section("one").unwrap().unwrap();
        assert_eq!(
            section.only(&["first", "second"]).unwrap_err().to_string(),
            "a.toml:3:1: found the unknown key \"secnd\" in [one], expected one of first, second\n  hint: the nearest known key is second"
        );
    }

    #[test]
    fn numbers_of_any_notation_are_read_and_others_refused() {
        let source = source("a = 1_000\nb = 0x10\nc = -2.5e1\nd = nan\ne = \"1\"\n");
        let document = Document::parse(&source).unwrap();
        let root = document.root();
        let value = |key| root.number(key).unwrap().unwrap().value;
        assert_eq!((value("a"), value("b"), value("c")), (1000.0, 16.0, -25.0));
        assert_eq!(
            root.number("d").unwrap_err().to_string(),
            "a.toml:4:5: found nan, expected a number"
        );
        assert_eq!(
            root.number("e").unwrap_err().to_string(),
            "a.toml:5:5: found \"1\", expected a number"
        );
    }

    #[test]
    fn broken_toml_is_placed() {
        let source = source("[one]\nfirst = \n");
        let error = Document::parse(&source).err().unwrap().to_string();
        assert!(
            error.starts_with("a.toml:2:9: found no valid TOML ("),
            "{error}"
        );
    }
}
