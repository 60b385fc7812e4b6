//! The owner's situation in the chain: what it does to the wish, and what follows from the plan.

use super::options::PlanOptions;
use crate::aim::{beams, vertical_hold};
use crate::audit::{Audit, Subject, Wish};
use crate::average::AveragedCurves;
use crate::budget::{
    Asked, Clean, Crossover, Law, Load, LowEnd, REFERENCE_V, Tables, Wishes, excursion_gain_db,
    limited, without_boost_below,
};
use crate::curve::Curve;
use crate::device::Device;
use crate::error::{Error, Result};
use crate::filter::{Bank, Stage};
use crate::predict::Prediction;
use crate::predict::situation::{CrossoverTaken, LevelBudget, Situation};
use crate::seats::BelowCrossover;
use crate::units::db_to_amplitude;

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

    /// The speakers' half of the crossover, as stages of the device.
    pub fn highpass(&self) -> &[Stage] {
        let crossover = self.crossover.as_ref();
        crossover.map_or(&[], |crossover| &crossover.highpass)
    }

    /// The audit's wish without what a subwoofer does instead and what the speaker does not give.
    pub fn limited(&self, audit: &Audit, subject: &Subject, device: &Device) -> Wish {
        let wish = match self.wishes.sub {
            Some(sub) => without_boost_below(&audit.wish, sub.f_hz),
            None => audit.wish.clone(),
        };
        match self.asked() {
            None => wish,
            Some(asked) => {
                let before = audit.window_before(subject.target);
                let before = match self.highpass_curve(audit, device) {
                    Some(highpass) => &before + &highpass,
                    None => before,
                };
                limited(audit, &wish, &asked, &before)
            }
        }
    }

    fn asked(&self) -> Option<Asked<'_>> {
        self.wishes.level.map(|wanted| Asked {
            wanted,
            clean: &self.clean,
        })
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

    /// The crossover with what follows from it, and what the subwoofer's list does about the room.
    ///
    /// # Errors
    /// When stages for the room cannot be fitted.
    pub fn crossover_taken(
        &self,
        audit: &Audit,
        options: &PlanOptions,
        device: &Device,
    ) -> Result<Option<CrossoverTaken>> {
        let Some(crossover) = &self.crossover else {
            return Ok(None);
        };
        let sub_hz = crossover.wanted.f_hz;
        let seats = options.sub_seats.as_ref();
        let room = match seats.filter(|_| !crossover.lowpass.is_empty()) {
            None => None,
            Some(seats) => {
                let left = device.stages.saturating_sub(crossover.lowpass.len());
                let forbid = &options.without;
                Some(BelowCrossover::new(seats, sub_hz, device, left, forbid)?)
            }
        };
        Ok(Some(CrossoverTaken {
            crossover: crossover.clone(),
            excursion_gain_db: audit
                .corner_hz
                .map(|corner_hz| excursion_gain_db(sub_hz, corner_hz)),
            room,
        }))
    }

    /// What follows from the situation for the speaker as measured and with its plan.
    pub fn situation(
        &self,
        subject: &Subject,
        audit: &Audit,
        prediction: &Prediction,
        device: &Device,
    ) -> Situation {
        let response = subject.response;
        let window = subject.curves.listening_window.as_ref();
        let low_end = low_end(subject.curves, &self.tables);
        let sensitivity_db = low_end.as_ref().and_then(|l| l.sensitivity_db);
        Situation {
            distance_m: self
                .wishes
                .level
                .map(|l| l.distance_m)
                .or(self.wishes.distance_m),
            beams: response.map_or_else(Vec::new, beams),
            vertical: response.zip(window).and_then(|(response, window)| {
                vertical_hold(response, &window.levels_db, audit.judged)
            }),
            level: self.asked().map(|asked| {
                let output = prediction.after(&audit.window_before(subject.target));
                let demand = prediction.largest_demand();
                let boost_db = demand.map_or(0.0, |d| d.gain_db.max(0.0));
                let peak_v = sensitivity_db.map(|sensitivity_db| {
                    let peak_db = asked.wanted.asked_peak_db(Law::FreeField);
                    REFERENCE_V * db_to_amplitude(peak_db + boost_db - sensitivity_db)
                });
                let tables = [
                    self.tables.distortion.is_some(),
                    self.tables.compression.is_some(),
                ];
                let highpass = self.highpass_curve(audit, device);
                LevelBudget::new(&asked, tables, &output, highpass.as_ref(), peak_v)
            }),
            load: self.load(prediction),
            low_end,
            ..Situation::default()
        }
    }

    fn load(&self, prediction: &Prediction) -> Option<Load> {
        let correcting = Bank {
            gain_db: 0.0,
            sections: prediction.bank.sections[self.highpass().len()..].to_vec(),
            ..prediction.bank
        };
        let boost_db = |f_hz: f64| correcting.gain_at_db(f_hz) - prediction.eq_level_db;
        Load::new(self.tables.impedance?, self.wishes.rated_ohm, boost_db)
    }

    /// What the speakers' half of the crossover takes off.
    fn highpass_curve(&self, audit: &Audit, device: &Device) -> Option<Curve> {
        let crossover = self.crossover.as_ref()?;
        Some(Curve::of(&audit.grid, |f_hz| {
            crossover.highpass_db(f_hz, device.rate_hz)
        }))
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
