//! The owner's situation in the chain: what it does to the wish, and what follows from the plan.

use crate::aim::{beams, vertical_hold};
use crate::audit::{Audit, Subject};
use crate::average::AveragedCurves;
use crate::budget::{
    Asked, Clean, Crossover, Law, Load, LowEnd, REFERENCE_V, Tables, Wishes, limit_boost,
    no_boost_below,
};
use crate::device::Device;
use crate::error::{Error, Result};
use crate::export::filter_list::of_device;
use crate::filter::{Kind, Stage};
use crate::filter_list::FilterList;
use crate::predict::situation::{LevelBudget, Situation};
use crate::predict::{Plan, sections, with_crossover};
use crate::seats::{BelowCrossover, SeatLevels};

/// What the owner's wishes come to on a device.
pub(super) struct Ready<'a> {
    wishes: &'a Wishes,
    tables: Tables<'a>,
    clean: Clean,
    crossover: Option<Crossover>,
}

impl<'a> Ready<'a> {
    /// # Errors
    /// When a wish is out of range.
    pub fn new(wishes: &'a Wishes, tables: Tables<'a>, device: &Device) -> Result<Ready<'a>> {
        let crossover = wishes
            .sub
            .map(|sub| Crossover::new(sub, device))
            .transpose()?;
        Ok(Ready {
            wishes,
            tables,
            clean: tables.clean(),
            crossover,
        })
    }

    /// Nothing is corrected below a crossover to a subwoofer.
    pub fn lowest_hz(&self, asked_hz: Option<f64>) -> Option<f64> {
        let sub_hz = self.wishes.sub.map(|sub| sub.f_hz);
        [asked_hz, sub_hz].into_iter().flatten().reduce(f64::max)
    }

    /// Takes out of the wish what a subwoofer does instead and what the speaker does not give.
    pub fn limit(&self, audit: &mut Audit, subject: &Subject, device: &Device) {
        if let Some(sub) = self.wishes.sub {
            no_boost_below(audit, sub.f_hz);
        }
        if let Some(wanted) = self.wishes.level {
            let before_db = output_db(audit, subject, None);
            let before_db = match self.highpass_db(audit, device) {
                Some(highpass_db) => before_db
                    .iter()
                    .zip(&highpass_db)
                    .map(|(b, h)| b + h)
                    .collect(),
                None => before_db,
            };
            let asked = Asked {
                wanted,
                clean: &self.clean,
            };
            limit_boost(audit, &asked, &before_db);
        }
    }

    /// Stages that the crossover leaves for the plan of `stages` that may be used, and the device
    /// with no more than these.
    ///
    /// # Errors
    /// When the crossover needs more stages than may be used.
    pub fn left_for_plan(
        &self,
        device: &Device,
        stages: Option<usize>,
    ) -> Result<(Device, Option<usize>)> {
        let taken = self.crossover.as_ref().map_or(0, |c| c.highpass.len());
        let most = stages.unwrap_or(device.stages).min(device.stages);
        if taken > most {
            return Err(Error::call(format!(
                "the crossover to the subwoofer takes {taken} stages, but only {most} may be used"
            ))
            .with_hint("allow more --stages or choose --sub-order 2"));
        }
        let mut left = device.clone();
        left.stages -= taken;
        Ok((left, stages.map(|stages| stages - taken)))
    }

    /// Puts the crossover in front of the plan and says what follows from the situation.
    ///
    /// # Errors
    /// When the device's numbers cannot hold the crossover.
    pub fn complete(
        &self,
        mut plan: Plan,
        subject: &Subject,
        stages: Option<usize>,
    ) -> Result<Plan> {
        let mut situation = Situation {
            distance_m: self
                .wishes
                .level
                .map(|l| l.distance_m)
                .or(self.wishes.distance_m),
            low_end: low_end(subject.curves, &self.tables),
            ..Situation::default()
        };
        if let Some(response) = subject.response {
            situation.beams = beams(response);
            situation.vertical = subject.curves.listening_window.as_ref().and_then(|window| {
                let audit = &plan.audit;
                vertical_hold(
                    response,
                    &window.levels_db,
                    audit.judged_from_hz,
                    audit.judged_to_hz,
                )
            });
        }
        if let Some(crossover) = &self.crossover {
            situation.take_crossover(
                crossover.clone(),
                &plan.device.name,
                stages.unwrap_or(plan.device.stages).min(plan.device.stages),
                plan.audit.corner_hz,
                subject.trusted_from_hz,
            );
        }
        if let Some(wanted) = self.wishes.level {
            let output_db = output_db(&plan.audit, subject, Some(&plan));
            let highpass_db = self.highpass_db(&plan.audit, &plan.device);
            let tables = [
                self.tables.distortion.is_some(),
                self.tables.compression.is_some(),
            ];
            let mut budget = LevelBudget::new(
                wanted,
                &self.clean,
                tables,
                plan.audit.grid.freqs_hz(),
                &output_db,
                highpass_db.as_deref(),
            );
            let sensitivity_db = situation.low_end.as_ref().and_then(|l| l.sensitivity_db);
            let boost_db = plan.largest_demand().map_or(0.0, |d| d.gain_db.max(0.0));
            budget.peak_v = sensitivity_db.map(|sensitivity_db| {
                let over_db = wanted.asked_peak_db(Law::FreeField) + boost_db - sensitivity_db;
                REFERENCE_V * crate::units::db_to_amplitude(over_db)
            });
            situation.take_level(budget);
        }
        if let Some(impedance) = self.tables.impedance {
            let level_db = plan.level_change_db();
            let bank = &plan.prediction.bank;
            let boost_db = |f_hz: f64| bank.gain_at_db(f_hz) - bank.gain_db - level_db;
            if let Some(load) = Load::new(impedance, self.wishes.rated_ohm, boost_db) {
                situation.take_load(load);
            }
        }
        if let Some(crossover) = &self.crossover {
            with_crossover(&mut plan, &crossover.highpass)?;
        }
        plan.situation = situation;
        Ok(plan)
    }

    fn highpass_db(&self, audit: &Audit, device: &Device) -> Option<Vec<f64>> {
        let crossover = self.crossover.as_ref()?;
        let freqs_hz = audit.grid.freqs_hz();
        Some(
            freqs_hz
                .iter()
                .map(|f| crossover.highpass_db(*f, device.rate_hz))
                .collect(),
        )
    }
}

/// What the speaker gives at each frequency of the audit, dB over its level: before, or with a
/// plan turned to the loudness of before.
fn output_db(audit: &Audit, subject: &Subject, plan: Option<&Plan>) -> Vec<f64> {
    let target_db = subject.target.levels_db(&audit.grid);
    let before = audit
        .deviations
        .window_db
        .iter()
        .zip(&target_db)
        .map(|(d, t)| d + t);
    match plan {
        None => before.collect(),
        Some(plan) => {
            let before: Vec<f64> = before.collect();
            plan.after_db(&before)
        }
    }
}

fn low_end(curves: &AveragedCurves, tables: &Tables) -> Option<LowEnd> {
    let curve = curves
        .on_axis
        .as_ref()
        .or(curves.listening_window.as_ref())?;
    LowEnd::new(
        &curves.grid,
        &curve.levels_db,
        tables.distance_m,
        tables.drive_v,
    )
}

/// Has the subwoofer's list cut what `seats`, measured with the subwoofer playing, share below the
/// crossover, with the stages that its lowpass leaves and of the types that are not forbidden.
///
/// # Errors
/// When the stages cannot be fitted.
pub(super) fn cut_below_crossover(
    plan: &mut Plan,
    seats: &SeatLevels,
    forbid: &[Kind],
) -> Result<()> {
    let Some(taken) = &mut plan.situation.crossover else {
        return Ok(());
    };
    let Crossover {
        lowpass, wanted, ..
    } = &taken.crossover;
    if !lowpass.is_empty() {
        let left = plan.device.stages.saturating_sub(lowpass.len());
        let room = BelowCrossover::new(seats, wanted.f_hz, &plan.device, left, forbid)?;
        taken.room = Some(room);
    }
    Ok(())
}

/// The list for the subwoofer: the other half of a plan's crossover, with the same gain in front,
/// so that both keep their balance, and the room's cuts below it. `None` without a crossover or
/// where the device cannot hold it.
///
/// # Errors
/// When the device's numbers cannot hold it.
pub(super) fn subwoofer_list(plan: &Plan) -> Result<Option<FilterList>> {
    let Some(taken) = &plan.situation.crossover else {
        return Ok(None);
    };
    let lowpass = &taken.crossover.lowpass;
    if lowpass.is_empty() {
        return Ok(None);
    }
    let room = taken.room.iter().flat_map(|room| &room.stages);
    let stages: Vec<Stage> = lowpass.iter().chain(room).copied().collect();
    let held = sections(&stages, &plan.device)?;
    let name = format!("{}, subwoofer", plan.speaker);
    let gain_db = plan.prediction.bank.gain_db;
    of_device(&name, &plan.device, gain_db, &stages, &held).map(Some)
}
