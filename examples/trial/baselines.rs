//! Plans that need no judgement, to hold the judgement against.

use planish::curve::{Curve, Smoother};
use planish::trial::{Benefit, Outcome, ScoreGrid};

/// Boosts of these plans are limited like those of a plan, dB.
const BOOST_AT_MOST_DB: f64 = 5.0;

/// Smoothing of what they flatten, octaves.
const SMOOTHING_OCT: f64 = 1.0 / 12.0;

/// Names of the baselines, in the order of [`baselines`].
pub const NAMES: [&str; 3] = [
    "flattening the window",
    "cuts only",
    "rule of thumb by spread",
];

/// What would be gained by flattening the listening window blindly, by its cuts alone, and by flattening
/// where the spread over the angles is at most half of the deviation.
pub fn baselines(outcome: &Outcome) -> [Benefit; 3] {
    let audit = &outcome.plan.audit;
    let smoother = Smoother::new(&audit.grid, SMOOTHING_OCT);
    let window = audit.deviations.window.smoothed(&smoother);
    let spread = audit.spread.smoothed(&smoother);
    let judged = audit.judged;
    let flat = window.map(|at| match judged.contains(at.f_hz) {
        true => (-at.value_db).min(BOOST_AT_MOST_DB),
        false => 0.0,
    });
    let cuts = flat.map(|at| at.value_db.min(0.0));
    let shared = flat.map(
        |at| match spread.at_db(at.f_hz) <= 0.5 * at.value_db.abs() {
            true => at.value_db,
            false => 0.0,
        },
    );
    let grid = ScoreGrid::grid();
    [flat, cuts, shared].map(|eq| {
        let eq_db = Curve::of(&grid, |f_hz| eq.at_db(f_hz));
        Benefit::of(&outcome.known, eq_db.values_db())
    })
}
