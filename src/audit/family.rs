//! What the members of the family say about one place: the numbers behind a finding.

use super::frame::{Frame, Who, mean_and_spread};
use crate::curve::Smoother;
use crate::response::{Direction, Orbit};

/// Smoothing before a curve is searched for bumps and dips, octaves: takes out measuring noise
/// and keeps a null of Q 10.
pub(super) const SEARCH_OCT: f64 = 1.0 / 12.0;

/// A dip is looked for at other angles within so many octaves.
const MOVES_AT_MOST_OCT: f64 = 1.0 / 3.0;

/// Angles between which the movement of a dip is stated, degrees: the listening window's, as a
/// reviewer can see it there.
const MOVES_WITHIN_DEG: f64 = 30.0;

/// A movement below this is within what noise and grid do, octaves.
const LEAST_MOVE_OCT: f64 = 1.0 / 24.0;

/// How the frequency of a dip changes from the axis outward.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Movement {
    /// The orbit in which it changes.
    pub orbit: Orbit,
    /// The angle to which it was followed, degrees from 0.
    pub angle_deg: f64,
    /// Change of frequency from the axis to that angle, Hz.
    pub by_hz: f64,
}

/// Curves that findings are read from.
pub(super) struct Family<'a> {
    frame: &'a Frame,
    /// Deviation of the reference axis, dB, where it was measured.
    pub axis_db: Option<Vec<f64>>,
    /// Standard deviation of the local deviations.
    spread_db: Vec<f64>,
    search: Smoother,
}

impl<'a> Family<'a> {
    pub fn new(frame: &'a Frame) -> Family<'a> {
        let search = Smoother::new(&frame.grid, SEARCH_OCT);
        let on_axis = |who: Who| match who {
            Who::Angle(d) => d.off_axis_deg() < 1.0,
            who => who == Who::OnAxis,
        };
        let axis_db = frame
            .members
            .iter()
            .find(|m| on_axis(m.who))
            .map(|m| search.apply(&frame.heard_at(m)));
        let local: Vec<Vec<f64>> = frame
            .members
            .iter()
            .map(|m| {
                let smooth = search.apply(&m.relative_db);
                smooth
                    .iter()
                    .zip(frame.trend.apply(&smooth))
                    .map(|(v, t)| v - t)
                    .collect()
            })
            .collect();
        let spread_db = (0..frame.grid.len())
            .map(|i| {
                let part: Vec<(f64, f64)> = (frame.members.iter().zip(&local))
                    .map(|(m, local)| (local[i], m.shares[i]))
                    .collect();
                mean_and_spread(&part).map_or(0.0, |p| p.1)
            })
            .collect();
        Family {
            frame,
            axis_db,
            spread_db,
            search,
        }
    }

    /// Spread over all members, dB; `None` without members.
    pub fn spread_at(&self, i: usize) -> Option<f64> {
        (!self.frame.members.is_empty()).then(|| self.spread_db[i])
    }

    /// How far the dip at `i` moves from the axis outward within the listening window's angles;
    /// the larger one of both orbits, `None` when it stays or is not to be found.
    pub fn movement(&self, i: usize) -> Option<Movement> {
        let start = self.lowest_near(i, |d| d.off_axis_deg() < 1.0)?;
        let reach = |orbit: Orbit| {
            self.frame
                .members
                .iter()
                .filter_map(|m| match m.who {
                    Who::Angle(d) => Some(d),
                    _ => None,
                })
                .filter(|d| d.orbit() == orbit && d.off_axis_deg() <= MOVES_WITHIN_DEG)
                .map(Direction::angle_deg)
                .max_by(|a, b| a.abs().total_cmp(&b.abs()))
        };
        [Orbit::Horizontal, Orbit::Vertical]
            .into_iter()
            .filter_map(|orbit| {
                let angle_deg = reach(orbit).filter(|a| a.abs() > 1.0)?;
                let end = self.lowest_near(i, |d| d == Direction::new(orbit, angle_deg))?;
                let moved_oct = (end / start).log2().abs();
                (moved_oct >= LEAST_MOVE_OCT).then_some(Movement {
                    orbit,
                    angle_deg,
                    by_hz: end - start,
                })
            })
            .max_by(|a, b| a.by_hz.abs().total_cmp(&b.by_hz.abs()))
    }

    /// Frequency in Hz of the dip nearest to `i` at the first angle that `at` names; `None` when
    /// there is no such angle or no dip inside the searched stretch.
    fn lowest_near(&self, i: usize, at: impl Fn(Direction) -> bool) -> Option<f64> {
        let member = self
            .frame
            .members
            .iter()
            .find(|m| matches!(m.who, Who::Angle(d) if at(d)))?;
        let levels_db = self.search.apply(&self.frame.heard_at(member));
        let centre_hz = self.frame.grid.freqs_hz()[i];
        let reach = MOVES_AT_MOST_OCT.exp2();
        let range = self.frame.grid.range(centre_hz / reach, centre_hz * reach);
        let lowest = range
            .clone()
            .min_by(|a, b| levels_db[*a].total_cmp(&levels_db[*b]))?;
        let inside = lowest > range.start && lowest + 1 < range.end;
        inside.then(|| self.frame.grid.freqs_hz()[lowest])
    }
}
