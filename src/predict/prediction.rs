//! The filters as the device holds them, applied to everything that was measured.

use crate::audit::{Audit, Subject};
use crate::average::{AveragedCurves, listening_window_directions};
use crate::curve::{Curve, Smoother};
use crate::device::{Device, Number};
use crate::error::{Error, Result};
use crate::filter::{Bank, Biquad, Stage};
use crate::fit::words;
use crate::rating::Rating;
use crate::response::{Direction, Response};
use crate::units::db_to_power;

/// The filters as the device holds them, and their consequences.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// Rounded sections of the crossover and of the stages that correct, with the level in front.
    pub bank: Bank,
    /// Gain of the stages that correct on the audit's grid, without the level in front.
    pub eq: Curve,
    /// What they change in level, dB: their ERB-rate-weighted mean gain over the judged band. Only
    /// shape matters, so curves before and after are compared with this taken out.
    pub eq_level_db: f64,
    /// All angles with these stages applied, without the level in front.
    pub response_after: Option<Response>,
    /// All averaged curves with these stages applied, without the level in front.
    pub curves_after: AveragedCurves,
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

/// Applies `stages` on `device` to everything that was measured; `crossover` are the stages in
/// front of them that divide the speaker from a subwoofer. These count in the bank and its price
/// only: below the crossover the subwoofer takes over what they leave.
///
/// # Errors
/// As [`sections`].
pub fn predict(
    subject: &Subject,
    audit: &Audit,
    crossover: &[Stage],
    stages: &[Stage],
    device: &Device,
) -> Result<Prediction> {
    let of = |sections: Vec<Biquad>| Bank {
        rate_hz: device.rate_hz,
        gain_db: 0.0,
        sections,
    };
    let correcting = of(sections(stages, device)?);
    let gains_db = correcting.gains_db(subject.curves.grid.freqs_hz());
    let eq = Curve::new(
        audit.grid.clone(),
        correcting.gains_db(audit.grid.freqs_hz()),
    );
    let mut all = sections(crossover, device)?;
    all.extend(correcting.sections);
    let bank = with_headroom(of(all), device);
    let curves_after = subject.curves.with_gain(&gains_db);
    Ok(Prediction {
        price_db: 0.0 - bank.gain_db,
        rating_before: Rating::of(subject.curves),
        rating_after: Rating::of(&curves_after),
        worst_change: subject
            .response
            .and_then(|response| worst_change(response, audit, &eq)),
        response_after: subject
            .response
            .map(|response| response.with_gain(&gains_db)),
        curves_after,
        eq_level_db: eq.mean_db(&audit.deviations.weights),
        eq,
        bank,
    })
}

impl Prediction {
    /// A curve on the audit's grid with the plan applied, the change of level taken out.
    ///
    /// # Panics
    /// When it lies on another grid.
    pub fn after(&self, before: &Curve) -> Curve {
        (before + &self.eq).raised(-self.eq_level_db)
    }

    /// Where, at the loudness the speaker had before (the change of level taken out), the
    /// amplifier gives most more than before. `None` without stages.
    pub fn largest_demand(&self) -> Option<Demand> {
        self.eq
            .iter()
            .map(|at| Demand {
                f_hz: at.f_hz,
                gain_db: at.value_db - self.eq_level_db,
            })
            .filter(|_| !self.bank.sections.is_empty())
            .max_by(|a, b| a.gain_db.total_cmp(&b.gain_db))
    }
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

/// `bank`, whose level in front is 0, with the one that it needs.
fn with_headroom(bank: Bank, device: &Device) -> Bank {
    // In fixed point nothing may overflow on the way either.
    let peak_db = match device.number {
        Number::Fixed { .. } => bank.internal_peak_db(),
        _ => bank.peak_db(),
    };
    let price_db = device.level_from_db(peak_db.max(0.0));
    Bank {
        gain_db: if price_db > 0.0 { -price_db } else { 0.0 },
        ..bank
    }
}

/// Width of the trend that roughness is measured against, octaves.
pub(super) const ROUGHNESS_TREND_OCT: f64 = 1.0;

fn worst_change(response: &Response, audit: &Audit, eq: &Curve) -> Option<WorstChange> {
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
                .zip(eq.values_db())
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
