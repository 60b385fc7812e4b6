//! Everything that was decided for one speaker.

use super::grade::Grade;
use super::mendable::Mendable;
use super::prediction::Prediction;
use super::situation::{CrossoverTaken, Situation};
use crate::audit::{Audit, TREND_OCT, Wish};
use crate::average::AveragedCurves;
use crate::curve::{Curve, Limits, Smoother};
use crate::device::Device;
use crate::filter::{Bank, Biquad, Stage};
use crate::findings::Finding;
use crate::fit::Fit;
use crate::response::Orbit;
use crate::target::Target;

/// Everything that was decided for one speaker, one target and one device.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Name of the speaker.
    pub speaker: String,
    /// The averaged curves as measured.
    pub curves: AveragedCurves,
    /// The range in which the measurement is to be trusted, as far as it was stated.
    pub trusted: Limits,
    /// The wanted curve.
    pub target: Target,
    /// What runs the filters.
    pub device: Device,
    /// What the angles show: what can be mended and what cannot.
    pub audit: Audit,
    /// What is wanted of the filters, and what it answers to or passes over: of the angles, the
    /// owner's situation, the room and the other unit of a pair.
    pub wish: Wish,
    /// What is said of the speaker, by ascending frequency.
    pub findings: Vec<Finding>,
    /// What of the audible deviation EQ can mend, and how much of it this plan mends.
    pub mendable: Mendable,
    /// The crossover to a subwoofer, whose stages stand in front of those that correct.
    pub crossover: Option<CrossoverTaken>,
    /// The stages that correct and how well they follow the wish.
    pub fit: Fit,
    /// What they will do.
    pub prediction: Prediction,
    /// Where and how the speaker plays, as its owner said.
    pub situation: Situation,
    /// What was asked that limits the plan.
    pub asked: Asked,
    /// Stages that were taken back because with them more deviation was left than without any.
    pub taken_back: usize,
    /// A plan for each unit of a pair, when they were asked for.
    pub per_unit: Vec<Plan>,
}

/// Limits that a plan was asked for.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Asked {
    /// At most so many stages.
    pub stages: Option<usize>,
    /// Nothing is corrected below, Hz.
    pub from_hz: Option<f64>,
}

/// One orbit against the listening window: what the angles do not share. The axis and the back
/// are there when they were measured on either orbit, the back at -180 and at 180 degrees.
#[derive(Debug, Clone, PartialEq)]
pub struct AngleLevels {
    /// The orbit.
    pub orbit: Orbit,
    /// Angles in degrees, ascending, -180 to 180.
    pub angles_deg: Vec<f64>,
    /// For each angle the level over the listening window at the same frequency, dB.
    pub levels_db: Vec<Vec<f64>>,
}

impl Plan {
    /// The in-room response before any EQ on the audit's grid, above the listening window's level;
    /// `None` where there is none.
    pub fn in_room_before(&self) -> Option<Curve> {
        let in_room = self.curves.curve(self.curves.in_room.as_ref()?);
        Some(in_room.on(&self.audit.grid)?.raised(-self.audit.level_db))
    }

    /// The listening window before any EQ on the audit's grid, above its own level.
    pub fn window_before(&self) -> Curve {
        self.audit.window_before(&self.target)
    }

    /// The trend of a curve on the audit's grid: its slowly varying part, over [`TREND_OCT`].
    pub fn trend(&self, curve: &Curve) -> Curve {
        curve.smoothed(&Smoother::new(&self.audit.grid, TREND_OCT))
    }

    /// The stages that divide the speaker from a subwoofer.
    pub fn crossover_stages(&self) -> &[Stage] {
        let crossover = self.crossover.as_ref();
        crossover.map_or(&[], |taken| &taken.crossover.highpass)
    }

    /// All stages in the order of the list: those of a crossover, then those that correct.
    pub fn stages(&self) -> Vec<Stage> {
        [self.crossover_stages(), &self.fit.stages].concat()
    }

    /// So many stages may be used, those of a crossover included.
    pub fn stages_allowed(&self) -> usize {
        let asked = self.asked.stages.unwrap_or(self.device.stages);
        asked.min(self.device.stages)
    }

    /// Gain of each stage alone on the audit's grid, dB, as the device holds it.
    pub fn stage_gains_db(&self) -> Vec<Vec<f64>> {
        let bank = &self.prediction.bank;
        let alone = |section: &Biquad| Bank {
            rate_hz: bank.rate_hz,
            gain_db: 0.0,
            sections: vec![*section],
        };
        bank.sections
            .iter()
            .map(|section| alone(section).gains_db(self.audit.grid.freqs_hz()))
            .collect()
    }

    /// One orbit relative to the listening window on the audit's grid. No EQ changes it. `None`
    /// where that orbit was not measured.
    pub fn angles_against_window(&self, orbit: Orbit) -> Option<AngleLevels> {
        let grid = &self.audit.grid;
        let after = self.prediction.response_after.as_ref()?;
        let window = self.prediction.curves_after.listening_window.as_ref()?;
        if !after.has_orbit(orbit) {
            return None;
        }
        let window = self.curves.curve(window).on(grid)?;
        let window_db = window.values_db();
        let response = after.resampled(grid)?;
        let mut rows: Vec<(f64, Vec<f64>)> = response
            .members()
            .iter()
            .filter(|m| m.direction.orbit() == orbit)
            .map(|m| (m.direction.angle_deg(), &m.levels_db))
            .chain(response.at(orbit, 180.0).map(|m| (-180.0, &m.levels_db)))
            .map(|(angle_deg, levels_db)| {
                let relative = levels_db.iter().zip(window_db).map(|(l, w)| l - w);
                (angle_deg, relative.collect())
            })
            .collect();
        for shared_deg in [0.0, 180.0] {
            if let Some(member) = response.at(orbit, shared_deg)
                && member.direction.orbit() != orbit
            {
                let relative = member.levels_db.iter().zip(window_db).map(|(l, w)| l - w);
                rows.push((shared_deg, relative.collect()));
            }
        }
        rows.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (angles_deg, levels_db) = rows.into_iter().unzip();
        Some(AngleLevels {
            orbit,
            angles_deg,
            levels_db,
        })
    }

    /// How well the speaker takes EQ.
    pub fn grade(&self) -> Grade {
        Grade::of(self.mendable.before_db, self.mendable.reach)
    }
}
