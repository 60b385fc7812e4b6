//! What the exported filters do about a finding.

use crate::audit::Candidate;
use crate::curve::Band;
use std::fmt;

/// What the exported filters do about a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// They undo it: [`CORRECTED_FROM`] of it or more.
    Correct,
    /// They undo a part of it: [`SOFTENED_FROM`] or more.
    Soften,
    /// They leave it.
    Leave,
    /// EQ could mend it, and it is not worth a stage here.
    Unspent,
}

impl Decision {
    /// The name used in files and on screen.
    pub fn name(self) -> &'static str {
        match self {
            Decision::Correct => "correct",
            Decision::Soften => "soften",
            Decision::Leave => "leave",
            Decision::Unspent => "unspent",
        }
    }
}

impl fmt::Display for Decision {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// From this share on a finding is corrected (DESIGN, section 9).
pub const CORRECTED_FROM: f64 = 0.6;

/// From this share on it is softened (DESIGN, section 9).
pub const SOFTENED_FROM: f64 = 0.15;

/// Where less than this stands in the listening window there is nothing that a filter could undo,
/// dB: a fifth of the just noticeable difference of level (1 dB, handbook figure, from memory).
const NOTHING_DB: f64 = 0.2;

/// Places within a finding's band at which filters are compared with it, at least.
const LEAST_PLACES: f64 = 12.0;

/// And for every octave of it.
const PLACES_PER_OCT: f64 = 48.0;

/// What is done when `undone` of a finding is undone, where `wanted` was asked for.
pub(super) fn decision(undone: f64, wanted: f64) -> Decision {
    if undone >= CORRECTED_FROM {
        Decision::Correct
    } else if undone >= SOFTENED_FROM {
        Decision::Soften
    } else if wanted >= CORRECTED_FROM {
        Decision::Unspent
    } else {
        Decision::Leave
    }
}

/// A candidate's share of the listening window's deviation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Share<'a> {
    pub candidate: &'a Candidate,
    /// What of its own the window does not show, dB with its sign.
    pub covered_db: f64,
}

impl Share<'_> {
    /// Its size at its peak, dB.
    pub fn size_db(&self) -> f64 {
        self.candidate.size_db - self.covered_db
    }

    /// The part of it that an EQ undoes: minus the coefficient of the regression through the origin
    /// of `eq_db` on what would have to be undone, over the candidate's band, evenly in log
    /// frequency.
    pub fn undone(&self, eq_db: impl Fn(f64) -> f64) -> f64 {
        if self.size_db().abs() < NOTHING_DB {
            return 0.0;
        }
        let Band { from_hz, to_hz } = self.candidate.band;
        let octaves = (to_hz / from_hz).log2();
        let last = (PLACES_PER_OCT * octaves).max(LEAST_PLACES).round();
        let (mut products, mut squares) = (0.0, 0.0);
        for place in 0..=last as usize {
            let f_hz = from_hz * (octaves * place as f64 / last).exp2();
            // Beside what is seen of it lies what covers it: that is of the other sign, and not its own.
            let own_db = self.candidate.own.at_db(f_hz) - self.covered_db;
            if own_db * self.size_db() <= 0.0 {
                continue;
            }
            products += eq_db(f_hz) * own_db;
            squares += own_db * own_db;
        }
        match squares > 0.0 {
            true => -products / squares,
            false => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::Cause;
    use crate::findings::tests::candidate;

    fn bump(size_db: f64) -> Candidate {
        candidate(Cause::Resonance, 1000.0, size_db)
    }

    #[test]
    fn the_opposite_undoes_all_half_of_it_half_and_the_same_more_of_it() {
        let bump = bump(4.0);
        for share in [1.0, 0.5, 0.0, -1.0] {
            let found = whole(&bump).undone(|f_hz| -share * bump.own.at_db(f_hz));
            assert!((found - share).abs() < 1e-9, "{share}: {found}");
        }
    }

    #[test]
    fn a_bump_that_stands_on_lower_ground_is_as_large_as_it_is_seen() {
        // 4 dB on ground of -1 dB: 3 dB are seen, and a cut of the bump over filters whose own level
        // is -1 dB undoes all of it.
        let bump = bump(4.0);
        let share = Share {
            candidate: &bump,
            covered_db: 1.0,
        };
        assert_eq!(share.size_db(), 3.0);
        let found = share.undone(|f_hz| 1.0 - bump.own.at_db(f_hz));
        assert!((found - 1.0).abs() < 1e-9, "{found}");
    }

    #[test]
    fn filters_that_deepen_what_is_left_of_a_covered_dip_do_not_undo_it() {
        // A dip of 3 dB of which a broad bump of 2.7 dB leaves 0.3 dB; the filters cut the bump.
        let dip = bump(-3.0);
        let share = Share {
            candidate: &dip,
            covered_db: -2.7,
        };
        assert!(share.undone(|_| -2.7) < 0.0);
    }

    fn whole(candidate: &Candidate) -> Share<'_> {
        Share {
            candidate,
            covered_db: 0.0,
        }
    }

    #[test]
    fn decisions_change_at_the_limits_of_the_contract() {
        use Decision::{Correct, Leave, Soften, Unspent};
        for (undone, wanted, decided) in [
            (0.6, 0.0, Correct),
            (0.59, 1.0, Soften),
            (0.15, 0.0, Soften),
            (0.14, 0.59, Leave),
            (0.14, 0.6, Unspent),
            (-0.5, 0.0, Leave),
        ] {
            assert_eq!(decision(undone, wanted), decided, "{undone} {wanted}");
        }
    }

    #[test]
    fn of_what_does_not_stand_in_the_window_nothing_is_undone() {
        assert_eq!(whole(&bump(0.1)).undone(|_| -5.0), 0.0);
    }
}
