//! What commands say beside their result: answers, colours, and words on standard error.

use crate::error::{Error, Result};
use crate::export;
use crate::report::span::name;
use crate::report::terminal::Paint;
use crate::run::Speaker;
use crate::run::request::Unit;
use std::io::{IsTerminal, Write};
use std::path::Path;

/// What a command answers, for those that answer yes or no.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Answer {
    /// Yes, or nothing was asked.
    Yes,
    /// No.
    No,
}

impl Answer {
    /// The answer to a question.
    pub fn of(yes: bool) -> Answer {
        if yes { Answer::Yes } else { Answer::No }
    }
}

/// Colour goes to a terminal that shows it, and only where the user has not declined it
/// (`NO_COLOR`, common practice of command-line tools).
pub(super) fn paint() -> Paint {
    let declined = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|value| value == "dumb");
    if std::io::stdout().is_terminal() && !declined && !dumb {
        Paint::Coloured
    } else {
        Paint::Plain
    }
}

/// Says on standard error what was understood of the measurement.
pub(super) fn note(speaker: &Speaker) {
    for line in crate::report::look::understood(&speaker.folder) {
        let _ = writeln!(std::io::stderr(), "{line}");
    }
}

/// The same of a unit of a pair.
pub(super) fn heard(unit: Unit, speaker: &Speaker) {
    if unit == Unit::Second {
        let _ = writeln!(std::io::stderr(), "second unit:");
    }
    note(speaker);
}

/// Says a message of more than one line on standard error. Names of files may hold what would steer
/// a terminal.
pub(super) fn complain(message: &str) {
    let mut begin = "planish: ";
    for line in message.lines() {
        // Nothing can be done when even the message cannot be written.
        let _ = writeln!(std::io::stderr(), "{begin}{}", name(line).as_str());
        begin = "";
    }
}

/// Writes a text to a file of any place, whole or not at all.
pub(super) fn write_file(path: &Path, text: &str) -> Result<()> {
    let name = path
        .file_name()
        .and_then(|name| name.to_str())
        .ok_or_else(|| Error::call(format!("\"{}\" names no file to write", path.display())))?;
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    export::files::write_all(folder, &[(name, text.as_bytes())]).map(|_| ())
}
