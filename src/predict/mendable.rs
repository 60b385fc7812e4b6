//! What of the audible deviation EQ can mend, and how much of it a plan mends.

use crate::audit::Deviations;
use crate::curve::Curve;

/// What of the audible deviation EQ can mend, and how much of it a plan mends. Deviations are rms
/// over hearing's scale, of the listening window and the in-room response together
/// ([`Deviations::energy_db2`]).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mendable {
    /// Audible deviation before any EQ, dB rms.
    pub before_db: f64,
    /// The same with the plan.
    pub after_db: f64,
    /// The same with all that is wanted of EQ, or with the plan where that leaves less.
    pub least_db: f64,
    /// Share of the deviation's energy that EQ can take away, 0 to 1; `None` where there is no
    /// deviation to speak of.
    pub reach: Option<f64>,
    /// Between these shares the reach lies in nine of ten simulated speakers.
    pub reach_range: Option<(f64, f64)>,
    /// Share that the plan takes away, 0 to `reach`.
    pub yield_share: Option<f64>,
}

/// The true reach lies no farther below and above what is said in 83 to 93 of 100 simulated speakers of
/// nine populations, most of them never learned from (`examples/trial`, seeds from 71000).
const REACH_BELOW: f64 = 0.26;
const REACH_ABOVE: f64 = 0.18;

impl Mendable {
    /// With `wish` for all that EQ can do and `eq` for what the plan does.
    ///
    /// # Panics
    /// When one of them lies on another grid than the deviations.
    pub fn new(deviations: &Deviations, wish: &Curve, eq: &Curve) -> Mendable {
        let before_db2 = deviations.energy_before_db2();
        let after_db2 = deviations.energy_db2(eq);
        let least_db2 = deviations.energy_db2(wish).min(after_db2).min(before_db2);
        let share = |left_db2: f64| (1.0 - left_db2 / before_db2).max(0.0);
        let is_something = before_db2 > Deviations::NOTHING_DB2;
        Mendable {
            before_db: before_db2.sqrt(),
            after_db: after_db2.sqrt(),
            least_db: least_db2.sqrt(),
            reach: is_something.then(|| share(least_db2)),
            reach_range: is_something.then(|| {
                let reach = share(least_db2);
                (
                    (reach - REACH_BELOW).max(0.0),
                    (reach + REACH_ABOVE).min(1.0),
                )
            }),
            yield_share: is_something.then(|| share(after_db2)),
        }
    }

    /// What of the deviation EQ can mend, dB rms: what it falls by.
    pub fn mendable_db(&self) -> f64 {
        self.before_db - self.least_db
    }

    /// What of it the plan mends, dB rms; not above [`Mendable::mendable_db`].
    pub fn mended_db(&self) -> f64 {
        (self.before_db - self.after_db).max(0.0)
    }

    /// Whether the plan leaves more than there was.
    pub fn is_worse(&self) -> bool {
        self.after_db > self.before_db
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;

    /// Two frequencies, window and room alike: (2, -2) dB.
    fn deviations() -> Deviations {
        let grid = Grid::logarithmic(100.0, 200.0, 1.0);
        let curve = Curve::new(grid, vec![2.0, -2.0]);
        Deviations {
            weights: vec![0.5; 2],
            window: curve.clone(),
            in_room: curve,
        }
    }

    fn with(wish: [f64; 2], eq: [f64; 2]) -> Mendable {
        let deviations = deviations();
        let on = |values: [f64; 2]| Curve::new(deviations.window.grid().clone(), values.to_vec());
        Mendable::new(&deviations, &on(wish), &on(eq))
    }

    #[test]
    fn of_two_decibels_the_wish_leaves_half_and_the_plan_three_quarters() {
        // By hand: 2 dB rms before, 1 dB with the wish, 1.5 dB with the plan.
        let found = with([-1.0, 1.0], [-0.5, 0.5]);
        assert!((found.mendable_db() - 1.0).abs() < 1e-12);
        assert!((found.mended_db() - 0.5).abs() < 1e-12);
        assert!((found.reach.unwrap() - 0.75).abs() < 1e-12);
        assert!((found.yield_share.unwrap() - 0.4375).abs() < 1e-12);
    }

    #[test]
    fn shares_stay_between_nothing_and_the_reach_whatever_is_planned() {
        // A plan better than its wish, a wish that makes it worse, a plan that makes it worse.
        for (wish, eq) in [
            ([-0.5, 0.5], [-2.0, 2.0]),
            ([3.0, -3.0], [-1.0, 1.0]),
            ([-2.0, 2.0], [1.0, -1.0]),
            ([1.0, -1.0], [2.0, -2.0]),
        ] {
            let found = with(wish, eq);
            let (reach, share) = (found.reach.unwrap(), found.yield_share.unwrap());
            assert!((0.0..=reach).contains(&share) && reach <= 1.0, "{found:?}");
            assert!(found.mended_db() <= found.mendable_db() + 1e-12);
        }
        assert!(with([1.0, -1.0], [2.0, -2.0]).is_worse());
    }
}
