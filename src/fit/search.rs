//! The search for the best set of stages: walks side by side that know nothing of each other.
//!
//! They draw from different sequences, so they grow to different sets and seldom end in the same
//! poor minimum. Run at once or one after the other they come to the same. Where little is to be
//! spent there is one walk only: the growth of a second would cost more than all exchanges.

use super::choices::Choices;
use super::joint::Candidate;
use super::limits::Limits;
use super::rows::Rows;
use super::seeds::{PARTS, Templates};
use super::walk::{Walk, keep_best};

/// Share of the usual search below which one walk is all there is. Judgement: as much as the
/// growth of one walk costs.
const ONE_WALK_BELOW: f64 = 0.1;

/// The search on one curve and device.
pub(super) struct Search<'a> {
    /// One at least.
    walks: Vec<Walk<'a>>,
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
        let count = if limits.effort < ONE_WALK_BELOW { 1 } else { 2 };
        Search {
            walks: Choices::two()
                .into_iter()
                .take(count)
                .map(|choices| Walk::new(rows, limits, templates, choices))
                .collect(),
        }
    }

    /// Whether the budget is spent.
    pub fn is_spent(&self) -> bool {
        self.walks.iter().any(Walk::is_spent)
    }

    /// Adds one stage after the other.
    pub fn grow(&mut self) {
        self.all(Walk::grow);
    }

    /// Exchanges stages of the best sets of `stages` stages until `share` of the whole budget is
    /// spent on it.
    pub fn exchange(&mut self, stages: usize, share: f64) {
        self.all(|walk| walk.exchange(stages, share));
    }

    /// Does `work` on all walks, at once where the system grants threads.
    fn all(&mut self, work: impl Fn(&mut Walk<'a>) + Sync) {
        let Some((first, others)) = self.walks.split_first_mut() else {
            return;
        };
        let work = &work;
        let ran: Vec<bool> = std::thread::scope(|scope| {
            let beside: Vec<_> = others
                .iter_mut()
                .map(|walk| std::thread::Builder::new().spawn_scoped(scope, move || work(walk)))
                .collect();
            work(first);
            beside
                .into_iter()
                .map(|thread| thread.is_ok_and(|thread| thread.join().is_ok()))
                .collect()
        });
        for (walk, ran) in others.iter_mut().zip(ran) {
            if !ran {
                work(walk);
            }
        }
    }

    /// Best set found with so many stages, from none up.
    pub fn ladder(&self) -> Vec<Candidate> {
        let mut best: Vec<Candidate> = Vec::new();
        for walk in &self.walks {
            for (k, rung) in walk.ladder.iter().enumerate() {
                match best.get_mut(k) {
                    None => best.push(rung.clone()),
                    Some(known) if rung.cost < known.cost => *known = rung.clone(),
                    Some(_) => {}
                }
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
