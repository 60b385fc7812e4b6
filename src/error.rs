//! Every failure the library can report. Imports nothing from other rooms.

use std::fmt;
use std::path::{Path, PathBuf};

/// Shorthand for results of this library.
pub type Result<T> = std::result::Result<T, Error>;

/// A failure: the input or the call is wrong, or the system refused.
///
/// A verdict ("this dip is left alone", "the list does not match") is a value, not an error.
#[derive(Debug)]
#[non_exhaustive]
pub enum Error {
    /// Something in a file is not what it should be.
    Input {
        /// The file as the user named it.
        file: PathBuf,
        /// Line, from 1; `None` when the whole file is meant.
        line: Option<usize>,
        /// Column in characters, from 1; `None` when the whole line is meant.
        column: Option<usize>,
        /// What stands there.
        found: String,
        /// What should stand there.
        expected: String,
        /// What the user can do about it.
        hint: Option<Box<str>>,
    },
    /// A number given by the user is outside its range.
    Range {
        /// Name of the quantity in the user's words.
        name: String,
        /// The value with its unit.
        value: String,
        /// The range with its unit, as in `between -12 and 6 dB`.
        range: String,
    },
    /// A name is not known; the nearest ones are offered.
    Unknown {
        /// What kind of name it is, as in `target`.
        what: String,
        /// The name given.
        found: String,
        /// The names that exist.
        known: Vec<String>,
    },
    /// The call cannot be carried out as asked.
    Call {
        /// What is wrong.
        message: String,
        /// What the user can do about it.
        hint: Option<Box<str>>,
    },
    /// The operating system refused to read or write.
    File {
        /// The file or folder.
        path: PathBuf,
        /// What was tried, as in `read`.
        doing: &'static str,
        /// The system's own answer.
        source: std::io::Error,
    },
}

impl Error {
    /// An input error without a place inside the file.
    pub fn in_file(file: &Path, found: impl Into<String>, expected: impl Into<String>) -> Self {
        Error::Input {
            file: file.to_path_buf(),
            line: None,
            column: None,
            found: found.into(),
            expected: expected.into(),
            hint: None,
        }
    }

    /// An input error at a line and column, both from 1.
    pub fn at(
        file: &Path,
        line: usize,
        column: usize,
        found: impl Into<String>,
        expected: impl Into<String>,
    ) -> Self {
        Error::Input {
            file: file.to_path_buf(),
            line: Some(line),
            column: Some(column),
            found: found.into(),
            expected: expected.into(),
            hint: None,
        }
    }

    /// A call that cannot be carried out.
    pub fn call(message: impl Into<String>) -> Self {
        Error::Call {
            message: message.into(),
            hint: None,
        }
    }

    /// The system's refusal, with the path it concerns.
    pub fn file(path: &Path, doing: &'static str, source: std::io::Error) -> Self {
        Error::File {
            path: path.to_path_buf(),
            doing,
            source,
        }
    }

    /// A number outside its range, both in the unit the user typed.
    pub fn range(
        name: impl Into<String>,
        value: impl Into<String>,
        range: impl Into<String>,
    ) -> Self {
        Error::Range {
            name: name.into(),
            value: value.into(),
            range: range.into(),
        }
    }

    /// The same error with a hint of what to do; ignored where a kind of error carries none.
    pub fn with_hint(mut self, text: impl Into<String>) -> Self {
        if let Error::Input { hint, .. } | Error::Call { hint, .. } = &mut self {
            *hint = Some(text.into().into_boxed_str());
        }
        self
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::Input {
                file,
                line,
                column,
                found,
                expected,
                hint,
            } => {
                write!(f, "{}", file.display())?;
                if let Some(line) = line {
                    write!(f, ":{line}")?;
                    if let Some(column) = column {
                        write!(f, ":{column}")?;
                    }
                }
                write!(f, ": found {found}, expected {expected}")?;
                write_hint(f, hint.as_deref())
            }
            Error::Range { name, value, range } => {
                write!(f, "{name} is {value} but must be {range}")
            }
            Error::Unknown { what, found, known } => {
                write!(f, "there is no {what} named \"{found}\"")?;
                write_hint(f, Some(&format!("known: {}", known.join(", "))))
            }
            Error::Call { message, hint } => {
                write!(f, "{message}")?;
                write_hint(f, hint.as_deref())
            }
            Error::File {
                path,
                doing,
                source,
            } => write!(f, "{}: cannot {doing}: {source}", path.display()),
        }
    }
}

fn write_hint(f: &mut fmt::Formatter<'_>, hint: Option<&str>) -> fmt::Result {
    match hint {
        Some(hint) => write!(f, "\n  hint: {hint}"),
        None => Ok(()),
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Error::File { source, .. } => Some(source),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_input_error_names_file_line_column_what_was_found_and_what_was_expected() {
        let error = Error::at(Path::new("front.txt"), 118, 9, "\"n/a\"", "a level in dB")
            .with_hint("leave the row out if the level is not known");
        assert_eq!(
            error.to_string(),
            "front.txt:118:9: found \"n/a\", expected a level in dB\n  hint: leave the row out if the level is not known"
        );
    }

    #[test]
    fn a_range_error_speaks_in_the_users_unit() {
        let error = Error::range("gain", "14 dB", "between -12 and 6 dB");
        assert_eq!(
            error.to_string(),
            "gain is 14 dB but must be between -12 and 6 dB"
        );
    }
}
