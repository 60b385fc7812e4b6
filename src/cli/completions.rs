//! What a shell and the manual reader want to know of the command line, generated from it.

use super::formats;
use crate::error::{Error, Result};
use crate::export;
use clap::{Args, Command};
use clap_complete::Shell;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(super) struct CompletionsArguments {
    /// The shell
    #[arg(value_enum)]
    pub shell: Shell,
}

#[derive(Debug, Args)]
pub(super) struct ManualArguments {
    /// Folder for one page for planish and one for each command and file format; without it the page for planish
    /// goes to standard output
    pub dir: Option<PathBuf>,
}

/// The completion script of a shell.
pub(super) fn completions(
    arguments: &CompletionsArguments,
    command: &mut Command,
) -> Result<String> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, command, "planish", &mut script);
    text(script)
}

/// The manual page, or where the pages were written.
pub(super) fn manual(arguments: &ManualArguments, mut command: Command) -> Result<String> {
    command.build();
    let Some(dir) = &arguments.dir else {
        return text(page(command)?);
    };
    let mut pages = vec![("planish.1".to_string(), page(command.clone())?)];
    for inner in command.get_subcommands() {
        if inner.get_name() == "help" {
            continue;
        }
        let name = format!("planish-{}", inner.get_name());
        let inner = inner.clone().display_name(name.clone());
        pages.push((format!("{name}.1"), page(inner)?));
    }
    pages.extend(formats::pages());
    let files: Vec<(&str, &[u8])> = pages
        .iter()
        .map(|(name, page)| (name.as_str(), page.as_slice()))
        .collect();
    let written = export::files::write_all(dir, &files)?;
    Ok(crate::report::text::written(&written))
}

/// One page in the format of the manual reader (roff).
fn page(command: Command) -> Result<Vec<u8>> {
    let mut out = Vec::new();
    clap_mangen::Man::new(command)
        .render(&mut out)
        .map_err(|error| Error::call(format!("the manual page cannot be made: {error}")))?;
    Ok(out)
}

fn text(bytes: Vec<u8>) -> Result<String> {
    String::from_utf8(bytes).map_err(|error| Error::call(format!("no text: {error}")))
}
