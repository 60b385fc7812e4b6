//! How a random speaker gets its defects, whatever physics it is made of.

use super::chance::Chance;
use super::defect::DefectKind;
use super::known::Simulated;
use super::measurement::full_orbits;
use crate::average::{Average, AveragedCurves, RearWall, listening_window_directions};
use crate::curve::Grid;
use crate::response::Direction;

/// Defects tried before a speaker stays as it is.
const TRIES: usize = 300;

/// A physics that can draw defects one by one.
pub(super) trait Drawn: Simulated + Clone {
    /// The speaker with one more defect of `kind`, not yet checked, and the frequency of that
    /// defect in Hz; `None` when the numbers drawn make none.
    fn with_defect(&self, kind: DefectKind, chance: &mut Chance) -> Option<(Self, f64)>;
}

/// Adds three to five defects, each checked to have an effect of its kind.
pub(super) fn with_defects<S: Drawn>(healthy: S, chance: &mut Chance) -> S {
    let mut speaker = healthy;
    let wanted = 3 + chance.below(3);
    let apart_oct = chance.between(0.3, 0.9);
    for _ in 0..TRIES {
        let known = speaker.defects_known();
        if known.len() == wanted {
            break;
        }
        let kind = DefectKind::ALL[chance.below(DefectKind::ALL.len())];
        let Some((with, f_hz)) = speaker.with_defect(kind, chance) else {
            continue;
        };
        if has_room_for(&known, kind, f_hz, apart_oct)
            && is_of_its_kind(&speaker, &with, kind).unwrap_or(false)
        {
            speaker = with;
        }
    }
    speaker
}

fn has_room_for(known: &[(DefectKind, f64)], kind: DefectKind, f_hz: f64, apart_oct: f64) -> bool {
    let broad = |kind| matches!(kind, DefectKind::Balance | DefectKind::ShallowDip);
    let at_crossover = |kind| {
        matches!(
            kind,
            DefectKind::CrossoverPhase | DefectKind::DirectivityStep
        )
    };
    let times = known.iter().filter(|(other, _)| *other == kind).count();
    let at_most = match kind {
        DefectKind::Resonance => 2,
        _ => 1,
    };
    times < at_most
        && known.iter().all(|(other, other_hz)| {
            let octaves = (f_hz / other_hz).log2().abs();
            if at_crossover(kind) && at_crossover(*other) {
                false
            } else if broad(kind) && broad(*other) {
                octaves >= 1.0
            } else if DefectKind::Balance == kind || DefectKind::Balance == *other {
                true
            } else {
                octaves >= apart_oct
            }
        })
}

/// Whether what `with` has more than `before` does what its kind says; `None` when a curve is
/// missing.
fn is_of_its_kind(
    before: &impl Simulated,
    with: &impl Simulated,
    kind: DefectKind,
) -> Option<bool> {
    let grid = Grid::logarithmic(150.0, 16_000.0, 24.0);
    let directions: Vec<Direction> = match kind {
        DefectKind::DirectivityStep => full_orbits(),
        _ => listening_window_directions()
            .iter()
            .map(|(orbit, angle_deg)| Direction::new(*orbit, *angle_deg))
            .collect(),
    };
    let old = curves(before, &grid, &directions)?;
    let new = curves(with, &grid, &directions)?;
    let change = |old: &Option<Average>, new: &Option<Average>| -> Option<Vec<f64>> {
        let pairs = new.as_ref()?.levels_db.iter().zip(&old.as_ref()?.levels_db);
        Some(pairs.map(|(n, o)| n - o).collect())
    };
    let axis_db = change(&old.on_axis, &new.on_axis)?;
    let window_db = change(&old.listening_window, &new.listening_window)?;
    let lowest = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
    let largest = |values: &[f64]| values.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    let energy = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
    Some(match kind {
        DefectKind::Resonance | DefectKind::Balance | DefectKind::ShallowDip => {
            largest(&window_db) > 1.2
        }
        DefectKind::Cancellation | DefectKind::CrossoverPhase => {
            (-20.0..-2.0).contains(&lowest(&window_db))
        }
        DefectKind::DirectivityStep => {
            largest(&change(&old.in_room, &new.in_room)?) > 1.0 && largest(&axis_db) < 0.6
        }
        DefectKind::SingleAxisRipple => {
            largest(&axis_db) > 1.2 && energy(&window_db) < 0.36 * energy(&axis_db)
        }
        DefectKind::DeepNull => lowest(&axis_db) < -6.0 && lowest(&window_db) < -1.3,
    })
}

fn curves(
    speaker: &impl Simulated,
    grid: &Grid,
    directions: &[Direction],
) -> Option<AveragedCurves> {
    let response = speaker.response(grid, directions).ok()?;
    Some(AveragedCurves::from_response(
        &response,
        RearWall::default(),
    ))
}
