//! Plans for a pair: one list for both units, and if wished one for each.

use super::{PlanOptions, Speaker, plan_for, plan_with, tables_of, trace_of};
use crate::audit::Subject;
use crate::error::Result;
use crate::filter::Bank;
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
    let (device, target) = super::device_and_target(options)?;
    let (device, target) = (&device, &target);
    let unit = |speaker: &'_ Speaker| -> (Option<f64>, Option<f64>) {
        (speaker.folder.trusted_from_hz, speaker.folder.trusted_to_hz)
    };
    let shared = pair::shared(
        Unit {
            response: first.response(),
            curves: &first.curves,
        },
        Unit {
            response: second.response(),
            curves: &second.curves,
        },
        target,
    )?;
    let trace = trace_of(first);
    let (one, other) = (unit(first), unit(second));
    let subject = Subject {
        response: shared.response.as_ref(),
        curves: &shared.curves,
        target,
        // What both units' measurements grant.
        trusted_from_hz: one.0.into_iter().chain(other.0).reduce(f64::max),
        trusted_to_hz: one.1.into_iter().chain(other.1).reduce(f64::min),
        second_source: trace.as_ref().map(|(grid, levels_db)| (grid, *levels_db)),
    };
    // Impedance and limits of the first unit stand for both.
    let (tables, name) = (tables_of(first), &first.folder.name);
    let mut plan = plan_with(&subject, tables, name, device, options)?;
    if let Some(aimed) = &first.aim {
        plan.situation.take_aim(aimed);
    }
    if per_unit {
        plan.per_unit = vec![
            plan_for(first, device, target, options)?,
            plan_for(second, device, target, options)?,
        ];
    }
    let own: Vec<Bank> = plan
        .per_unit
        .iter()
        .map(|unit| unit.prediction.bank.clone())
        .collect();
    let both = match own.as_slice() {
        [first, second] => Some([first, second]),
        _ => None,
    };
    pair::add_findings(&mut plan.audit, &shared.matched, both);
    let decided = pair::Decided::new(
        second.folder.name.clone(),
        shared.matched,
        &plan.audit,
        &plan.prediction.bank,
        &own,
        shared.common,
    );
    plan.situation.take_pair(decided);
    Ok(plan)
}
