//! What the filters will do: every angle and every averaged curve with the device's own rounded
//! numbers applied, and what that gains and costs.

pub mod aims;
pub mod contradiction;
pub mod room_and_pair;
pub mod situation;
pub mod summary;

use crate::audit::{Audit, Subject, TREND_OCT};
use crate::average::{AveragedCurves, listening_window_directions};
use crate::curve::{Smoother, resample_db};
use crate::device::{Device, Number};
use crate::error::{Error, Result};
use crate::filter::{Bank, Biquad, Stage};
use crate::fit::words;
use crate::rating::Rating;
use crate::response::{Direction, Orbit, Response};
use crate::units::db_to_power;

/// The filters as the device holds them, and their consequences.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// Rounded sections in the order of the stages, with the level in front.
    pub bank: Bank,
    /// Gain of the sections on the measurement's grid, dB, without the level in front.
    pub gains_db: Vec<f64>,
    /// Gain of the sections on the audit's grid, dB, without the level in front.
    pub audit_gains_db: Vec<f64>,
    /// All angles with the sections applied, without the level in front.
    pub response_after: Option<Response>,
    /// All averaged curves with the sections applied, without the level in front.
    pub curves_after: AveragedCurves,
    /// Share of the audible deviation energy that the filters remove.
    pub yield_share: Option<f64>,
    /// Headroom the plan costs, dB: the level in front, as a positive number.
    pub price_db: f64,
    /// Preference rating before.
    pub rating_before: Option<Rating>,
    /// Preference rating after.
    pub rating_after: Option<Rating>,
    /// The largest change for the worse at any listening-window angle.
    pub worst_change: Option<WorstChange>,
}

/// How much rougher the worst-served direction of the listening window becomes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorstChange {
    /// The direction.
    pub direction: Direction,
    /// Roughness before, dB rms: the ERB-rate-weighted deviation from its own octave-wide trend.
    pub before_db: f64,
    /// Roughness after, dB rms.
    pub after_db: f64,
}

impl WorstChange {
    /// Change of roughness in dB rms; negative when even this direction becomes smoother.
    pub fn change_db(&self) -> f64 {
        self.after_db - self.before_db
    }
}

/// The level in front is given to this many dB, rounded to the safe side: finer than any ear and
/// as fine as boxes let one type it.
const LEVEL_STEP_DB: f64 = 0.1;

/// The sections of `stages` as `device` holds them: coefficients at its rate on its number grid,
/// those that come nearest to the stage's response (see [`crate::fit::words`]).
///
/// # Errors
/// When a coefficient does not fit the format or no stable section is found on its grid.
pub fn sections(stages: &[Stage], device: &Device) -> Result<Vec<Biquad>> {
    stages
        .iter()
        .enumerate()
        .map(|(i, stage)| {
            let spoken = format!(
                "stage {} ({} at {:.1} Hz, Q {:.2})",
                i + 1,
                stage.kind,
                stage.f0_hz,
                stage.q
            );
            let words = words(stage, device.rate_hz, device.number).ok_or_else(|| {
                Error::call(format!(
                    "{spoken}: a coefficient does not fit the device's number format {}",
                    device.number
                ))
            })?;
            if words.stable {
                Ok(words.biquad)
            } else {
                Err(Error::call(format!(
                    "{spoken} is not stable in the number format {}",
                    device.number
                ))
                .with_hint("raise --from, or use a device with more fraction bits"))
            }
        })
        .collect()
}

/// Applies `stages` on `device` to everything that was measured.
///
/// # Errors
/// As [`sections`].
pub fn predict(
    subject: &Subject,
    audit: &Audit,
    stages: &[Stage],
    device: &Device,
) -> Result<Prediction> {
    let mut bank = Bank {
        rate_hz: device.rate_hz,
        gain_db: 0.0,
        sections: sections(stages, device)?,
    };
    let gains_db = bank.gains_db(subject.curves.grid.freqs_hz());
    let audit_gains_db = bank.gains_db(audit.grid.freqs_hz());
    let price_db = take_headroom(&mut bank, device);
    let curves_after = subject.curves.with_gain(&gains_db);
    Ok(Prediction {
        yield_share: audit.deviations.share_removed(&audit_gains_db),
        price_db,
        rating_before: Rating::of(subject.curves),
        rating_after: Rating::of(&curves_after),
        worst_change: subject
            .response
            .and_then(|response| worst_change(response, audit, &audit_gains_db)),
        response_after: subject
            .response
            .map(|response| response.with_gain(&gains_db)),
        curves_after,
        gains_db,
        audit_gains_db,
        bank,
    })
}

/// Sets the level in front of `bank`, whose own is 0, and returns it as a price in dB.
fn take_headroom(bank: &mut Bank, device: &Device) -> f64 {
    // In fixed point nothing may overflow on the way either.
    let peak_db = match device.number {
        Number::Fixed { .. } => bank.internal_peak_db(),
        _ => bank.peak_db(),
    };
    // A thousandth below the step is rounding of the search, not a peak.
    let steps = (peak_db.max(0.0) / LEVEL_STEP_DB - 1e-3).ceil().max(0.0);
    let price_db = (steps * LEVEL_STEP_DB * 10.0).round() / 10.0;
    bank.gain_db = if price_db > 0.0 { -price_db } else { 0.0 };
    price_db
}

/// Puts the stages of a crossover to a subwoofer in front of a plan: into its list and its price.
/// Curves and yield stay those of the plan's own stages: below the crossover the subwoofer takes
/// over what they leave.
///
/// # Errors
/// As [`sections`].
pub fn with_crossover(plan: &mut Plan, highpass: &[Stage]) -> Result<()> {
    let bank = &mut plan.prediction.bank;
    let own = std::mem::take(&mut bank.sections);
    bank.sections = sections(highpass, &plan.device)?;
    bank.sections.extend(own);
    bank.gain_db = 0.0;
    plan.prediction.price_db = take_headroom(bank, &plan.device);
    plan.fit.stages.splice(0..0, highpass.iter().copied());
    Ok(())
}

/// Width of the trend that roughness is measured against, octaves.
const ROUGHNESS_TREND_OCT: f64 = 1.0;

fn worst_change(response: &Response, audit: &Audit, gains_db: &[f64]) -> Option<WorstChange> {
    let response = response.resampled(&audit.grid)?;
    let trend = Smoother::new(&audit.grid, ROUGHNESS_TREND_OCT);
    let weights = &audit.deviations.weights;
    let roughness_db = |levels_db: &[f64]| {
        let smooth = trend.apply(levels_db);
        let local = levels_db.iter().zip(&smooth).map(|(l, t)| l - t);
        local
            .zip(weights)
            .map(|(d, w)| w * d * d)
            .sum::<f64>()
            .sqrt()
    };
    listening_window_directions()
        .iter()
        .filter_map(|(orbit, angle_deg)| response.at(*orbit, *angle_deg))
        .map(|member| {
            let after: Vec<f64> = member
                .levels_db
                .iter()
                .zip(gains_db)
                .map(|(l, g)| l + g)
                .collect();
            WorstChange {
                direction: member.direction,
                before_db: roughness_db(&member.levels_db),
                after_db: roughness_db(&after),
            }
        })
        .max_by(|a, b| a.change_db().total_cmp(&b.change_db()))
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

/// Where a plan asks most of the amplifier, at the loudness the speaker had before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Demand {
    /// Where, Hz.
    pub f_hz: f64,
    /// How much more the amplifier gives there than before, dB; negative when even there it gives
    /// less.
    pub gain_db: f64,
}

impl Demand {
    /// The same as a ratio of powers.
    pub fn power_ratio(&self) -> f64 {
        db_to_power(self.gain_db)
    }
}

/// Everything that was decided for one speaker, one target and one device.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Name of the speaker.
    pub speaker: String,
    /// The averaged curves as measured.
    pub curves: AveragedCurves,
    /// Lower and upper end of the range in which the measurement is to be trusted, Hz, as far as
    /// they were stated.
    pub trusted_hz: (Option<f64>, Option<f64>),
    /// The wanted curve.
    pub target: crate::target::Target,
    /// What runs the filters.
    pub device: Device,
    /// What can be mended and what cannot.
    pub audit: Audit,
    /// The filters and how well they follow the wish.
    pub fit: crate::fit::Fit,
    /// What they will do.
    pub prediction: Prediction,
    /// Where and how the speaker plays, as its owner said.
    pub situation: situation::Situation,
    /// A plan for each unit of a pair, when they were asked for.
    pub per_unit: Vec<Plan>,
}

/// How well a speaker takes EQ, by the numbers stated with each grade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Audible deviation below [`HARDLY_ANY_DB`] before any EQ.
    NeedsLittle,
    /// Reach of [`REACH_WELL`] or more.
    Well,
    /// Reach between [`REACH_PARTLY`] and [`REACH_WELL`].
    Partly,
    /// Reach below [`REACH_PARTLY`].
    Stubborn,
}

impl Grade {
    /// The name used in files.
    pub fn name(self) -> &'static str {
        match self {
            Grade::NeedsLittle => "needs-little",
            Grade::Well => "well",
            Grade::Partly => "partly",
            Grade::Stubborn => "stubborn",
        }
    }
}

/// Below this audible deviation (dB rms, ERB-rate weighted, mean of listening window and in-room
/// curve) a speaker needs little EQ: the just noticeable difference of level in everyday
/// listening (handbook figure, from memory).
pub const HARDLY_ANY_DB: f64 = 1.0;

/// From this reach on a speaker takes EQ well: two thirds of the deviation energy, which leaves
/// less than 60 % of the deviation in dB. Our own judgement.
pub const REACH_WELL: f64 = 0.66;

/// Below this reach a speaker is stubborn: a third of the energy is less than a fifth of the
/// deviation in dB. Our own judgement.
pub const REACH_PARTLY: f64 = 0.33;

impl Plan {
    /// Audible deviation before any EQ, dB rms.
    pub fn deviation_before_db(&self) -> f64 {
        let zeros = vec![0.0; self.audit.grid.len()];
        self.audit.deviations.energy_db2(&zeros).sqrt()
    }

    /// Audible deviation with the plan, dB rms.
    pub fn deviation_after_db(&self) -> f64 {
        let gains_db = &self.prediction.audit_gains_db;
        self.audit.deviations.energy_db2(gains_db).sqrt()
    }

    /// The in-room response before any EQ on the audit's grid, dB above the listening window's
    /// level; `None` where there is none.
    pub fn in_room_before_db(&self) -> Option<Vec<f64>> {
        let in_room = self.curves.in_room.as_ref()?;
        resample_db(&self.curves.grid, &in_room.levels_db, &self.audit.grid)
            .into_iter()
            .map(|level_db| Some(level_db? - self.audit.level_db))
            .collect()
    }

    /// What the filters change in level, dB: their ERB-rate-weighted mean gain over the judged
    /// band. Only shape matters, so curves before and after are compared with this taken out.
    pub fn level_change_db(&self) -> f64 {
        let weights = &self.audit.deviations.weights;
        weights
            .iter()
            .zip(&self.prediction.audit_gains_db)
            .map(|(w, g)| w * g)
            .sum()
    }

    /// The listening window before any EQ on the audit's grid, dB above its own level.
    pub fn window_before_db(&self) -> Vec<f64> {
        let target_db = self.target.levels_db(&self.audit.grid);
        let deviation_db = &self.audit.deviations.window_db;
        deviation_db
            .iter()
            .zip(&target_db)
            .map(|(d, t)| d + t)
            .collect()
    }

    /// A curve on the audit's grid with the plan applied, the change of level taken out.
    pub fn after_db(&self, before_db: &[f64]) -> Vec<f64> {
        let level_db = self.level_change_db();
        before_db
            .iter()
            .zip(&self.prediction.audit_gains_db)
            .map(|(b, g)| b + g - level_db)
            .collect()
    }

    /// The trend of a curve on the audit's grid: its slowly varying part, over [`TREND_OCT`].
    pub fn trend_db(&self, curve_db: &[f64]) -> Vec<f64> {
        Smoother::new(&self.audit.grid, TREND_OCT).apply(curve_db)
    }

    /// Where, at the loudness the speaker had before (the change of level taken out), the
    /// amplifier gives most more than before. `None` without stages.
    pub fn largest_demand(&self) -> Option<Demand> {
        let level_db = self.level_change_db();
        let gains_db = &self.prediction.audit_gains_db;
        let demands = self.audit.grid.freqs_hz().iter().zip(gains_db);
        demands
            .map(|(f, g)| Demand {
                f_hz: *f,
                gain_db: g - level_db,
            })
            .filter(|_| !self.fit.stages.is_empty())
            .max_by(|a, b| a.gain_db.total_cmp(&b.gain_db))
    }

    /// Stages that correct, without those of a crossover to a subwoofer.
    pub fn correcting_stages(&self) -> usize {
        let crossover = self.situation.crossover.as_ref();
        self.fit.stages.len() - crossover.map_or(0, |taken| taken.crossover.highpass.len())
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
        let window_db = resample_db(&self.curves.grid, &window.levels_db, grid)
            .into_iter()
            .collect::<Option<Vec<f64>>>()?;
        let response = after.resampled(grid)?;
        let mut rows: Vec<(f64, Vec<f64>)> = response
            .members()
            .iter()
            .filter(|m| m.direction.orbit() == orbit)
            .map(|m| (m.direction.angle_deg(), &m.levels_db))
            .chain(response.at(orbit, 180.0).map(|m| (-180.0, &m.levels_db)))
            .map(|(angle_deg, levels_db)| {
                let relative = levels_db.iter().zip(&window_db).map(|(l, w)| l - w);
                (angle_deg, relative.collect())
            })
            .collect();
        for shared_deg in [0.0, 180.0] {
            if let Some(member) = response.at(orbit, shared_deg)
                && member.direction.orbit() != orbit
            {
                let relative = member.levels_db.iter().zip(&window_db).map(|(l, w)| l - w);
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
        match self.audit.reach {
            _ if self.deviation_before_db() < HARDLY_ANY_DB => Grade::NeedsLittle,
            Some(reach) if reach >= REACH_WELL => Grade::Well,
            Some(reach) if reach >= REACH_PARTLY => Grade::Partly,
            _ => Grade::Stubborn,
        }
    }
}
