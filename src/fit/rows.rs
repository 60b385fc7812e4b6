//! The wanted curve as the solver reads it: one row per frequency with a weight, everything
//! that does not change during the search worked out once.

use super::task::Wanted;
use super::unit::LANES;
use crate::{Error, Result};
use std::f64::consts::PI;

/// A group of rows ends this share of its width early, so that a grid of twice the density is
/// thinned in pairs whatever the rounding of its steps.
const THINNING_SLACK: f64 = 0.95;

/// The rows of a wanted curve at one rate. Every row counts (rows of weight 0 are left out),
/// the weights add up to 1.
#[derive(Debug, Clone)]
pub(super) struct Rows {
    /// `tan(w/2)`: where the digital row lies on the axis of the analog prototype.
    pub tangents: Vec<f64>,
    /// Its reciprocal.
    pub cotangents: Vec<f64>,
    /// Position of the row, octaves above 1 Hz.
    positions_oct: Vec<f64>,
    /// Gain in dB that is still wanted.
    pub wanted_db: Vec<f64>,
    /// Square root of the weight.
    pub root_weights: Vec<f64>,
    /// Lowest and highest frequency that counts, Hz.
    pub ends_hz: [f64; 2],
    /// What the square of a common level costs, see [`super::Options::level_cost`].
    level_cost: f64,
}

impl Rows {
    /// Rows of `wanted` at `rate_hz`, or the reason why they cannot be fitted.
    pub fn new(wanted: &Wanted, rate_hz: f64, level_cost: f64) -> Result<Rows> {
        let count = wanted.freqs_hz.len();
        if wanted.gain_db.len() != count || wanted.weights.len() != count {
            return Err(Error::call(format!(
                "the wanted curve has {count} frequencies, {} gains and {} weights; they must be as many",
                wanted.gain_db.len(),
                wanted.weights.len()
            )));
        }
        if !(rate_hz.is_finite() && rate_hz > 0.0) {
            return Err(Error::range(
                "the rate",
                format!("{rate_hz} Hz"),
                "above 0 Hz",
            ));
        }
        let mut last_hz = 0.0;
        for ((f_hz, gain_db), weight) in wanted
            .freqs_hz
            .iter()
            .zip(wanted.gain_db)
            .zip(wanted.weights)
        {
            if !(*f_hz > last_hz && *f_hz < 0.5 * rate_hz) {
                return Err(Error::range(
                    "a frequency of the wanted curve",
                    format!("{f_hz} Hz"),
                    format!(
                        "above {last_hz} Hz, the one before it, and below {} Hz, half the rate",
                        0.5 * rate_hz
                    ),
                ));
            }
            if !gain_db.is_finite() {
                return Err(Error::range(
                    format!("the wanted gain at {f_hz} Hz"),
                    format!("{gain_db} dB"),
                    "a finite number",
                ));
            }
            if !(weight.is_finite() && *weight >= 0.0) {
                return Err(Error::range(
                    format!("the weight at {f_hz} Hz"),
                    weight.to_string(),
                    "finite and not negative",
                ));
            }
            last_hz = *f_hz;
        }
        if level_cost.is_nan() || level_cost < 0.0 {
            return Err(Error::range(
                "the cost of a common level",
                level_cost.to_string(),
                "0 or above",
            ));
        }
        // Scaled by the largest first: the plain sum of huge weights may overflow.
        let largest = wanted.weights.iter().copied().fold(0.0, f64::max);
        if largest <= 0.0 {
            return Err(Error::call(
                "no row of the wanted curve has a weight above 0",
            ));
        }
        let sum: f64 = wanted.weights.iter().map(|w| w / largest).sum();
        let mut rows = Rows {
            tangents: Vec::with_capacity(count + LANES),
            cotangents: Vec::with_capacity(count + LANES),
            positions_oct: Vec::with_capacity(count + LANES),
            wanted_db: Vec::with_capacity(count + LANES),
            root_weights: Vec::with_capacity(count + LANES),
            ends_hz: [f64::INFINITY, 0.0],
            level_cost,
        };
        for ((f_hz, gain_db), weight) in wanted
            .freqs_hz
            .iter()
            .zip(wanted.gain_db)
            .zip(wanted.weights)
        {
            let share = weight / largest / sum;
            if share > 0.0 {
                rows.push(
                    libm::tan(PI * f_hz / rate_hz),
                    libm::log2(*f_hz),
                    *gain_db,
                    share.sqrt(),
                );
                rows.ends_hz = [rows.ends_hz[0].min(*f_hz), rows.ends_hz[1].max(*f_hz)];
            }
        }
        rows.pad();
        Ok(rows)
    }

    fn push(&mut self, tangent: f64, position_oct: f64, wanted_db: f64, root_weight: f64) {
        self.tangents.push(tangent);
        self.cotangents.push(tangent.recip());
        self.positions_oct.push(position_oct);
        self.wanted_db.push(wanted_db);
        self.root_weights.push(root_weight);
    }

    /// Fills up with rows of no weight, so that the sums run without a remainder; with one at
    /// least, which is the level's own.
    fn pad(&mut self) {
        self.push(1.0, f64::INFINITY, 0.0, 0.0);
        while !self.len().is_multiple_of(LANES) {
            self.push(1.0, f64::INFINITY, 0.0, 0.0);
        }
    }

    /// The rows thinned to `per_octave` where they stand closer: of each group of neighbours the
    /// middle one stays and speaks with the weight of all.
    pub fn thinned(&self, per_octave: f64) -> Rows {
        let mut thin = Rows {
            tangents: Vec::new(),
            cotangents: Vec::new(),
            positions_oct: Vec::new(),
            wanted_db: Vec::new(),
            root_weights: Vec::new(),
            ..*self
        };
        let count = self.root_weights.iter().filter(|w| **w > 0.0).count();
        let mut start = 0;
        while start < count {
            let end_oct = self.positions_oct[start] + THINNING_SLACK / per_octave;
            let more = self.positions_oct[start..count].partition_point(|p| *p < end_oct);
            let end = start + more.max(1);
            let middle = (start + end) / 2;
            let weight: f64 = self.root_weights[start..end].iter().map(|s| s * s).sum();
            thin.push(
                self.tangents[middle],
                self.positions_oct[middle],
                self.wanted_db[middle],
                weight.sqrt(),
            );
            start = end;
        }
        thin.pad();
        thin
    }

    /// Number of rows, padding included.
    pub fn len(&self) -> usize {
        self.tangents.len()
    }

    /// The same rows with another curve wanted, one value per row.
    pub fn with_wanted(&self, wanted_db: Vec<f64>) -> Rows {
        Rows {
            wanted_db,
            ..self.clone()
        }
    }

    /// Whether there is a common level at all, at whatever cost.
    pub fn has_level(&self) -> bool {
        self.level_cost.is_finite()
    }

    /// Takes the level out of a column whose rows are already times their root weights, so far that
    /// inner products of columns are what the level leaves of them and its cost together.
    pub fn take_level_out(&self, column: &mut [f64]) {
        if self.has_level() {
            // The level takes 1 / (1 + cost) of the squared mean: one minus the square of this.
            let share = 1.0 - (self.level_cost / (1.0 + self.level_cost)).sqrt();
            let level = share * crate::algebra::dot(column, &self.root_weights);
            for (value, root_weight) in column.iter_mut().zip(&self.root_weights) {
                *value -= level * root_weight;
            }
        }
    }

    /// The level that leaves least, its cost included: the weighted mean of `values_db` where it is
    /// free, less where it costs.
    pub fn level_db(&self, values_db: &[f64]) -> f64 {
        if !self.has_level() {
            return 0.0;
        }
        let mean_db: f64 = values_db
            .iter()
            .zip(&self.root_weights)
            .map(|(v, s)| s * s * v)
            .sum();
        mean_db / (1.0 + self.level_cost)
    }

    /// What `values_db` leave after `level_db`, each row times its root weight; in the last row what
    /// the level costs.
    pub fn weighted_beside(&self, level_db: f64, values_db: &mut [f64]) {
        for (value, root_weight) in values_db.iter_mut().zip(&self.root_weights) {
            *value = root_weight * (*value - level_db);
        }
        if let Some(last) = values_db.last_mut()
            && self.has_level()
        {
            *last = -self.level_cost.sqrt() * level_db;
        }
    }

    /// The column that a dB of level adds to the response, as in [`Self::weighted_beside`].
    pub fn level_column(&self, column: &mut [f64]) {
        column.copy_from_slice(&self.root_weights);
        if let Some(last) = column.last_mut() {
            *last = self.level_cost.sqrt();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ways_to_count_the_level_agree_with_the_least_of_distance_and_cost() {
        let freqs_hz: Vec<f64> = (1..=8).map(|i| 100.0 * f64::from(i)).collect();
        let gain_db = [1.0, -2.0, 4.0, 0.5, 3.0, 2.0, -1.0, 6.0];
        let weights = [1.0, 2.0, 0.5, 1.0, 3.0, 1.0, 0.0, 1.0];
        let wanted = Wanted {
            freqs_hz: &freqs_hz,
            gain_db: &gain_db,
            weights: &weights,
        };
        for cost in [0.0, 0.01, 2.0, f64::INFINITY] {
            let rows = Rows::new(&wanted, 48_000.0, cost).unwrap();
            let square = |column: &[f64]| column.iter().map(|v| v * v).sum::<f64>();
            let level_db = rows.level_db(&rows.wanted_db);
            let mut beside = rows.wanted_db.clone();
            rows.weighted_beside(level_db, &mut beside);
            let mut out: Vec<f64> = rows
                .wanted_db
                .iter()
                .zip(&rows.root_weights)
                .map(|(w, s)| w * s)
                .collect();
            rows.take_level_out(&mut out);
            assert!((square(&beside) - square(&out)).abs() < 1e-12, "{cost}");
            // Next to it everything is worse.
            let sum: f64 = weights.iter().sum();
            let total = |level_db: f64| {
                let distance: f64 = gain_db
                    .iter()
                    .zip(&weights)
                    .map(|(g, w)| w / sum * (g - level_db).powi(2))
                    .sum();
                distance
                    + if level_db == 0.0 {
                        0.0
                    } else {
                        cost * level_db * level_db
                    }
            };
            assert!((total(level_db) - square(&out)).abs() < 1e-12, "{cost}");
            assert!(total(level_db + 1e-3) > total(level_db));
            assert!(total(level_db - 1e-3) > total(level_db));
        }
    }
}
