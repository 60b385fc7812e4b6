//! What is gained: how near the filters come to the EQ that the truth asks for.

use super::known::Known;
use super::score::{Planned, ScoreGrid};
use crate::curve::Band;

/// Gains are measured within this band (DESIGN, section 4).
const MEASURED: Band = Band {
    from_hz: 200.0,
    to_hz: 12_000.0,
};

/// Where the correctable defects together stay within so much there is nothing to gain and only harm
/// to be done, dB.
const HEALTHY_WITHIN_DB: f64 = 0.3;

/// How near an EQ comes to the ideal one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Benefit {
    /// Mean square of the difference from the ideal EQ, level free, dB squared.
    pub error_db2: f64,
    /// The same where an EQ may also undo what is not known to be shared or not, as far as it does:
    /// the truth lies between this and [`Benefit::error_db2`].
    pub least_error_db2: f64,
    /// Mean square of the ideal EQ itself, level free, dB squared.
    pub ideal_db2: f64,
    /// Where nothing is to be mended: root of the mean square of the difference less that of doing
    /// nothing, dB; 0 where the EQ is better than nothing.
    pub harm_db: f64,
}

impl Benefit {
    /// Of an EQ in dB on [`ScoreGrid::grid`], on which `known` is, too.
    pub fn of(known: &Known, eq_db: &[f64]) -> Benefit {
        let on = ScoreGrid::within(MEASURED);
        let ideal_db = on.without_mean(&known.ideal_eq_db());
        let eq_db = on.without_mean(eq_db);
        let error_db: Vec<f64> = eq_db.iter().zip(&ideal_db).map(|(e, i)| e - i).collect();
        let least_db: Vec<f64> = (error_db.iter().zip(on.without_mean(&known.open_db())))
            .map(|(error, open)| error - error.clamp((-open).min(0.0), (-open).max(0.0)))
            .collect();
        let healthy: Vec<f64> = (on.weights.iter().zip(known.correctable_db()))
            .map(|(w, effect)| match effect.abs() <= HEALTHY_WITHIN_DB {
                true => *w,
                false => 0.0,
            })
            .collect();
        let harm_db =
            mean_square(&error_db, &healthy).sqrt() - mean_square(&ideal_db, &healthy).sqrt();
        Benefit {
            error_db2: mean_square(&error_db, &on.weights),
            least_error_db2: mean_square(&least_db, &on.weights),
            ideal_db2: mean_square(&ideal_db, &on.weights),
            harm_db: harm_db.max(0.0),
        }
    }

    /// The share of what an EQ that knows the truth gains; below 0 where the EQ makes it worse.
    pub fn share(&self) -> f64 {
        1.0 - self.error_db2 / self.ideal_db2.max(1e-9)
    }

    /// The share that is gained of several speakers together.
    pub fn pooled(all: &[Benefit]) -> f64 {
        Benefit::gained(all, |b| b.error_db2)
    }

    /// The same at most, where it is not known what of the unevenness is shared.
    pub fn pooled_at_most(all: &[Benefit]) -> f64 {
        Benefit::gained(all, |b| b.least_error_db2)
    }

    fn gained(all: &[Benefit], error_db2: fn(&Benefit) -> f64) -> f64 {
        let ideal_db2: f64 = all.iter().map(|b| b.ideal_db2).sum();
        1.0 - all.iter().map(error_db2).sum::<f64>() / ideal_db2.max(1e-9)
    }
}

impl Planned<'_> {
    /// What the filters gain.
    pub fn benefit(&self) -> Benefit {
        Benefit::of(self.known, &self.filters_db)
    }
}

fn mean_square(values: &[f64], weights: &[f64]) -> f64 {
    let sum: f64 = weights.iter().sum();
    let squares = values.iter().zip(weights).map(|(v, w)| w * v * v);
    match sum > 0.0 {
        true => squares.sum::<f64>() / sum,
        false => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::DefectKind;
    use crate::trial::KnownDefect;

    fn bump() -> Known {
        let grid = ScoreGrid::grid();
        let window_db: Vec<f64> = (grid.freqs_hz().iter())
            .map(|f| 4.0 * (-(3.0 * (f / 1000.0).log2()).powi(2)).exp())
            .collect();
        Known {
            healthy_window_db: vec![85.0; grid.len()],
            shared_unevenness_db: None,
            defects: vec![KnownDefect {
                kind: DefectKind::Resonance,
                f_hz: 1000.0,
                room_db: window_db.clone(),
                on_axis_db: window_db.clone(),
                window_db,
            }],
        }
    }

    #[test]
    fn the_ideal_gains_all_half_of_it_three_quarters_and_twice_of_it_nothing() {
        let known = bump();
        let ideal_db = known.ideal_eq_db();
        for (size, share) in [(1.0, 1.0), (0.5, 0.75), (0.0, 0.0), (2.0, 0.0)] {
            let eq_db: Vec<f64> = ideal_db.iter().map(|v| 3.0 + size * v).collect();
            let benefit = Benefit::of(&known, &eq_db);
            assert!(
                (benefit.share() - share).abs() < 1e-9,
                "{size}: {benefit:?}"
            );
        }
    }

    #[test]
    fn undoing_what_may_be_shared_or_not_is_an_error_at_most() {
        let mut known = bump();
        let uneven_db: Vec<f64> = (ScoreGrid::grid().freqs_hz().iter())
            .map(|f| (6.0 * f.ln()).sin())
            .collect();
        known.healthy_window_db = uneven_db.iter().map(|v| 85.0 + v).collect();
        let ideal_db = known.ideal_eq_db().into_iter();
        let eq_db: Vec<f64> = ideal_db.zip(&uneven_db).map(|(i, v)| i - 0.8 * v).collect();
        let benefit = Benefit::of(&known, &eq_db);
        assert!(
            benefit.least_error_db2 < 1e-3 && benefit.error_db2 > 0.2,
            "{benefit:?}"
        );
        known.shared_unevenness_db = Some(vec![0.0; uneven_db.len()]);
        let benefit = Benefit::of(&known, &eq_db);
        assert_eq!(benefit.least_error_db2, benefit.error_db2);
    }

    #[test]
    fn a_boost_where_nothing_is_wrong_is_harm_and_the_right_cut_is_none() {
        let known = bump();
        let ideal_db = known.ideal_eq_db();
        let right = Benefit::of(&known, &ideal_db);
        assert!(right.harm_db < 1e-9);
        let with_boost: Vec<f64> = (ideal_db.iter().zip(ScoreGrid::grid().freqs_hz()))
            .map(|(eq, f)| eq + f64::from(u8::from(*f > 4000.0)) * 2.0)
            .collect();
        assert!(Benefit::of(&known, &with_boost).harm_db > 0.5);
    }
}
