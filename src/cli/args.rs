//! Arguments as typed.

use super::{apply, check, compare, completions, convert, fit, look, plan, rank, stock};
use clap::{Parser, Subcommand};

/// Plans EQ for a measured loudspeaker: what EQ can mend, what it must leave alone, and the
/// filter list for the DSP box at hand.
#[derive(Debug, Parser)]
#[command(
    name = "planish",
    version,
    arg_required_else_help = true,
    max_term_width = 90
)]
pub(super) struct Arguments {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Plan the filters for a speaker and write filter list, report and curves
    Plan(plan::PlanArguments),
    /// Say what EQ can mend on a speaker, what it must leave alone and why
    Audit(plan::AuditArguments),
    /// Print the CTA-2034-A curves of a speaker as CSV
    Curves(plan::CurvesArguments),
    /// Say what was understood of a measurement and what is missing
    Look(look::LookArguments),
    /// Fit biquads to any wanted EQ curve
    Fit(fit::FitArguments),
    /// Run a WAV file through a filter list to hear the plan
    Apply(apply::ApplyArguments),
    /// See whether a filter list is sound and whether a device does what it says
    Check(check::CheckArguments),
    /// Make the same filters for another rate, number format, device or set of knobs
    Convert(convert::ConvertArguments),
    /// Write two demo speakers to try the other commands on
    Demo(stock::DemoArguments),
    /// List the built-in targets and devices
    List(stock::ListArguments),
    /// Plan many speakers and say in one table who takes EQ, and at what price
    Rank(rank::RankArguments),
    /// Put plans side by side: of several speakers, on several devices, for several targets
    Compare(compare::CompareArguments),
    /// Print a completion script for a shell
    Completions(completions::CompletionsArguments),
    /// Print the manual page, or write the pages of all commands
    Manual(completions::ManualArguments),
}
