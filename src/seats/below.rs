//! The room below a crossover: what the seats share there is cut in the subwoofer's own list.

use super::coverage::Coverage;
use super::divide::{gains_db, ranked, room_stages};
use super::judged::{self, Judged};
use super::levels::SeatLevels;
use super::outcome::Outcome;
use crate::device::Device;
use crate::error::Result;
use crate::filter::{Kind, Stage};
use crate::fit::Options;

/// What the subwoofer's list does about the room.
#[derive(Debug, Clone, PartialEq)]
pub struct BelowCrossover {
    /// What of the range below the crossover the seats cover.
    pub coverage: Coverage,
    /// What the seats show there; `None` where they say nothing of it.
    pub judged: Option<Judged>,
    /// The stages that cut it, as the device takes them.
    pub stages: Vec<Stage>,
    /// What these do at the seats.
    pub outcome: Option<Outcome>,
}

impl BelowCrossover {
    /// Hears `seats`, measured with the subwoofer playing, below `crossover_hz` and cuts the peaks
    /// they share with `stages` peaking stages of `device` at most, those that are worth most first;
    /// with none where `forbid` names that type.
    ///
    /// # Errors
    /// When the stages cannot be fitted, see [`crate::fit::fit`].
    pub fn new(
        seats: &SeatLevels,
        crossover_hz: f64,
        device: &Device,
        stages: usize,
        forbid: &[Kind],
    ) -> Result<BelowCrossover> {
        let coverage = Coverage::new(seats, crossover_hz);
        let judged = judged::judge(seats, &coverage, crossover_hz, None, device, |_| 0.0);
        let Some(judged) = judged else {
            return Ok(BelowCrossover {
                coverage,
                judged: None,
                stages: Vec::new(),
                outcome: None,
            });
        };
        let freqs_hz = judged.grid.freqs_hz();
        let no_peaking = forbid.contains(&Kind::Peaking);
        let cells = judged.grid.cells_oct();
        let cuts = ranked(freqs_hz, &cells, &judged, device, no_peaking);
        let cuts = &cuts[..cuts.len().min(stages)];
        let stages = if cuts.is_empty() {
            Vec::new()
        } else {
            let options = Options {
                level_cost: f64::INFINITY,
                ..Options::default()
            };
            room_stages(&judged, cuts, device, &options)?.stages
        };
        let gains = gains_db(&stages, device, freqs_hz);
        let nothing_else = vec![0.0; freqs_hz.len()];
        let outcome = Outcome::new(&judged, gains, &nothing_else);
        Ok(BelowCrossover {
            coverage,
            judged: Some(judged),
            stages,
            outcome: Some(outcome),
        })
    }
}
