//! Plans for a pair: one list for both units, and if wished one for each.

use super::chain::{self, Case, OtherUnit};
use super::options::{PlanOptions, device_and_target};
use super::planned::plan_for;
use super::speaker::{Speaker, tables_of, trace_of};
use crate::audit::Subject;
use crate::error::Result;
use crate::pair::{self, Unit};
use crate::predict::Plan;

/// Plans both units with one list that corrects what they share; `per_unit` adds a plan for each
/// on its own.
///
/// # Errors
/// As [`super::plan`], and when the units have too little in common.
pub fn plan_pair(
    first: &Speaker,
    second: &Speaker,
    options: &PlanOptions,
    per_unit: bool,
) -> Result<Plan> {
    let (device, target) = device_and_target(options)?;
    let shared = pair::shared(unit(first), unit(second), &target)?;
    let trace = trace_of(first);
    let subject = Subject {
        response: shared.response.as_ref(),
        curves: &shared.curves,
        target: &target,
        // What both units' measurements grant.
        trusted: first.trusted().both(second.trusted()),
        second_source: trace.as_ref().map(|(grid, levels_db)| (grid, *levels_db)),
    };
    let alone = |speaker: &Speaker| plan_for(speaker, &device, &target, options);
    let other = OtherUnit {
        name: second.folder.name.clone(),
        matched: shared.matched,
        common: shared.common,
        per_unit: match per_unit {
            true => vec![alone(first)?, alone(second)?],
            false => Vec::new(),
        },
    };
    chain::plan(&Case {
        subject: &subject,
        // Impedance and limits of the first unit stand for both.
        tables: tables_of(first),
        name: &first.folder.name,
        device: &device,
        options,
        aim: first.aim.as_ref(),
        pair: Some(&other),
    })
}

fn unit(speaker: &Speaker) -> Unit<'_> {
    Unit {
        response: speaker.response(),
        curves: &speaker.curves,
    }
}
