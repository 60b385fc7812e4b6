//! `planish demo` and `planish list`: what comes with the program.

use crate::error::Result;
use crate::{export, read, report, run};
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(super) struct DemoArguments {
    /// Folder to write the demo speakers into; made if it is not there
    pub dir: PathBuf,
    /// Print what was written as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct ListArguments {
    /// Print the list as JSON
    #[arg(long)]
    pub json: bool,
}

/// Writes the demo speakers and says where.
pub(super) fn demo(arguments: &DemoArguments) -> Result<String> {
    let written = run::write_demo(&arguments.dir)?;
    Ok(match arguments.json {
        true => export::json::written(&written),
        false => report::text::demo(&written),
    })
}

/// The built-in targets and devices.
pub(super) fn list(arguments: &ListArguments) -> Result<String> {
    let (targets, devices) = (read::target::all_targets()?, read::device::all_devices()?);
    Ok(match arguments.json {
        true => export::json::list(&targets, &devices),
        false => report::text::list(&targets, &devices),
    })
}
