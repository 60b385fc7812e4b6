//! The search for the best set of stages: two walks side by side that know nothing of each other.
//!
//! They draw from different sequences, so they grow to different sets and seldom end in the same
//! poor minimum. Run at once or one after the other they come to the same.

use super::choices::Choices;
use super::joint::Candidate;
use super::limits::Limits;
use super::rows::Rows;
use super::seeds::{PARTS, Templates};
use super::walk::{Walk, keep_best};

/// The search on one curve and device.
pub(super) struct Search<'a> {
    walks: [Walk<'a>; 2],
}

/// The templates of a search, one part after the other.
pub(super) fn templates(rows: &Rows, limits: &Limits) -> [Templates; PARTS] {
    std::array::from_fn(|part| Templates::new(rows, limits, part))
}

impl<'a> Search<'a> {
    /// A search that has not begun; `templates` are those of these rows and limits.
    pub fn new(
        rows: &'a Rows,
        limits: &'a Limits,
        templates: &'a [Templates; PARTS],
    ) -> Search<'a> {
        Search {
            walks: Choices::two().map(|choices| Walk::new(rows, limits, templates, choices)),
        }
    }

    /// Whether the budget is spent.
    pub fn is_spent(&self) -> bool {
        self.walks.iter().any(Walk::is_spent)
    }

    /// Adds one stage after the other.
    pub fn grow(&mut self) {
        self.both(Walk::grow);
    }

    /// Exchanges stages of the best sets of `stages` stages until `share` of the whole budget is
    /// spent on it.
    pub fn exchange(&mut self, stages: usize, share: f64) {
        self.both(|walk| walk.exchange(stages, share));
    }

    /// Does `work` on both walks, at once where the system grants a thread.
    fn both(&mut self, work: impl Fn(&mut Walk<'a>) + Sync) {
        let [one, other] = &mut self.walks;
        let ran = std::thread::scope(|scope| {
            let beside = std::thread::Builder::new().spawn_scoped(scope, || work(other));
            work(one);
            beside.is_ok_and(|thread| thread.join().is_ok())
        });
        if !ran {
            work(&mut self.walks[1]);
        }
    }

    /// Best set found with so many stages, from none up.
    pub fn ladder(&self) -> Vec<Candidate> {
        let [one, other] = self.walks.each_ref().map(|walk| &walk.ladder);
        let (longer, shorter) = if one.len() < other.len() {
            (other, one)
        } else {
            (one, other)
        };
        let mut best = longer.clone();
        for (rung, rival) in best.iter_mut().zip(shorter) {
            if rival.cost < rung.cost {
                *rung = rival.clone();
            }
        }
        best
    }

    /// Best few sets of the last exchange, best first.
    pub fn elite(&self) -> Vec<Candidate> {
        let mut elite: Vec<Candidate> = self
            .walks
            .iter()
            .flat_map(|walk| walk.elite.iter().cloned())
            .collect();
        keep_best(&mut elite);
        elite
    }
}
