//! One wish for both: the anechoic one above the transition, the seats' below.
//!
//! The anechoic wish is a sum of broad shapes, judged above the transition only, that run on below
//! it; the seats' cuts run out above. So both add up without a step. What would boost below the
//! transition is taken out first: a level that is wanted throughout the zone is given to what lies
//! above instead (level is free), and what is left of a boost fades out towards the transition.

use super::coverage::LOWEST_HZ;
use super::judged::{JOIN_OCT, Judged, below_transition};
use crate::audit::Audit;
use crate::curve::{Curve, Grid};
use crate::units::erb_numbers_per_octave;

/// Weight of the zone where no seat says anything, against where seats do: enough that filters
/// leave it alone. Our own judgement.
const UNHEARD_WEIGHT: f64 = 0.3;

/// The wish of the whole plan, frequency by frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Joined {
    /// The speaker's share of the wish, from 20 Hz on: at the audit's frequencies, and below them at
    /// more of the same density.
    pub upper: Curve,
    /// The room's share at the same frequencies, not above 0 dB.
    pub zone: Curve,
    /// Weight of each frequency in the fit: as in the audit above the transition; below it every
    /// octave counts as much as the one at the transition, since a mode is heard by how long it
    /// rings and not by how finely the ear parts low frequencies. Our own judgement.
    pub weights: Vec<f64>,
    /// The transition, Hz.
    pub transition_hz: f64,
}

/// Less than this that a wish runs on with below the transition is the skirt of a bell and no level,
/// dB: taken off the whole wish it would ask for a stage that does nothing else. Just below the
/// smallest component of a wish (`audit::component`).
const LEVEL_FROM_DB: f64 = 0.5;

/// `wish` without what would boost below the transition, and without what would cut there where no
/// seats hear it (`seats_hear`); `corner_hz` is where the speaker has rolled off.
pub(super) fn without_boost(
    wish: &Curve,
    corner_hz: Option<f64>,
    transition_hz: f64,
    seats_hear: bool,
) -> Curve {
    // The level that the wish runs on with below the transition: looked at as far down as no roll-off
    // begins, an octave below at least, where bells above the transition are nearly over.
    let low_hz = corner_hz.map_or(0.0, |corner_hz| 2.0 * corner_hz);
    let low_hz = low_hz.max(wish.grid().first_hz()).min(0.5 * transition_hz);
    let run_on_db = Some(wish.at_db(low_hz))
        .filter(|db| *db >= LEVEL_FROM_DB)
        .unwrap_or(0.0);
    let join = JOIN_OCT.exp2() * transition_hz;
    wish.map(|at| {
        let left_db = at.value_db - run_on_db;
        // Rises from 0 at the transition to 1 at the end of the join.
        let above = 1.0 - below_transition(at.f_hz.min(join), transition_hz);
        if left_db > 0.0 || !seats_hear {
            left_db * above
        } else {
            left_db
        }
    })
}

/// Joins the wishes; `upper` is [`without_boost`] on the audit's grid.
pub(super) fn join(
    audit: &Audit,
    upper: &Curve,
    judged: Option<&Judged>,
    transition_hz: f64,
) -> Joined {
    let source = &audit.grid;
    let step = (source.freqs_hz()[1] / source.freqs_hz()[0]).max(1.0 + 1e-6);
    let mut freqs_hz: Vec<f64> =
        std::iter::successors(Some(source.first_hz() / step), |f| Some(f / step))
            .take_while(|f| *f >= LOWEST_HZ)
            .collect();
    freqs_hz.reverse();
    freqs_hz.extend(source.freqs_hz());
    let grid = Grid::new(freqs_hz).unwrap_or_else(|| source.clone());
    let extra = grid.len() - source.len();
    let upper_db = (0..grid.len()).map(|i| upper.values_db()[i.saturating_sub(extra)]);
    let upper = Curve::new(grid.clone(), upper_db.collect());
    let zone = Curve::of(&grid, |f_hz| {
        judged.map_or(0.0, |judged| judged.wish_at(f_hz))
    });
    // The audit's weights are octaves times what hearing resolves there, up to a factor.
    let cells = grid.cells_oct();
    let of_audit = &audit.deviations.weights;
    let total: f64 = (0..source.len())
        .filter(|i| of_audit[*i] > 0.0)
        .map(|i| cells[extra + i] * erb_numbers_per_octave(source.freqs_hz()[i]))
        .sum();
    let per_oct = erb_numbers_per_octave(transition_hz) / total;
    let weights = grid
        .freqs_hz()
        .iter()
        .enumerate()
        .map(|(i, f)| {
            if *f < transition_hz {
                let heard = judged.is_some_and(|judged| judged.covers(*f));
                cells[i] * per_oct * if heard { 1.0 } else { UNHEARD_WEIGHT }
            } else {
                audit.fit_weights[i.saturating_sub(extra)]
            }
        })
        .collect();
    Joined {
        upper,
        zone,
        weights,
        transition_hz,
    }
}

impl Joined {
    /// The frequencies.
    pub fn grid(&self) -> &Grid {
        self.upper.grid()
    }

    /// The whole wish.
    pub fn wish(&self) -> Curve {
        &self.upper + &self.zone
    }

    /// The whole wish on the audit's grid, whose frequencies are the last of this one's.
    pub fn on_audit_grid(&self, audit: &Audit) -> Curve {
        let last = self.grid().len() - audit.grid.len();
        let wish_db = self.wish().values_db()[last..].to_vec();
        Curve::new(audit.grid.clone(), wish_db)
    }
}
