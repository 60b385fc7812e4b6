//! What the seats show below the transition, and what of it may be cut.

use super::baseline::levelled;
use super::coverage::{Coverage, LOWEST_HZ};
use super::levels::SeatLevels;
use super::peak::{Peak, bell_db};
use super::shared::{Found, Seats};
use crate::curve::{Curve, Grid, resample_db};
use crate::device::Device;
use crate::filter::Kind;
use std::ops::Range;

/// Density of the seats' grid. A mode of Q 30 is a twentieth of an octave wide at half its height.
const POINTS_PER_OCTAVE: f64 = 96.0;

/// The seats are looked at so far above the transition, octaves: a peak and what it stands over
/// end only there.
const ABOVE_OCT: f64 = 1.0;

/// Above the transition peaks count less and less, down to nothing so many octaves above.
pub(super) const JOIN_OCT: f64 = 0.5;

/// Nothing is judged in less than this, octaves.
const LEAST_JUDGED_OCT: f64 = 0.25;

/// Below a fall of so many dB the seats' common curve has rolled off, and its peaks are no boom.
/// The trade's usual corner (common practice, as F6).
const CORNER_DB: f64 = -6.0;

/// What all seats share is narrower than a mode, whose skirts each seat sums otherwise: for the
/// baseline a peak is taken out with this share of its Q. Found on simulated rooms of peaks of
/// known size, seeds below 100000.
const SKIRTS: f64 = 0.88;

/// How often peaks are taken out to see the baseline anew: more often it sinks where nulls are many.
/// Found as above, and on peaks added to rough seats.
const LOOKS: usize = 2;

/// What the seats show. Curves lie on `grid`.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Frequencies from the zone's lower end to an octave above the transition, as far as the
    /// seats were measured.
    pub grid: Grid,
    /// Indices of the zone.
    pub zone: Range<usize>,
    /// Names of the seats.
    pub names: Vec<String>,
    /// Levels at the seats over the common baseline, dB, as measured.
    pub over_db: Vec<Vec<f64>>,
    /// The baseline, dB.
    pub baseline_db: Vec<f64>,
    /// Peaks that the seats share, by ascending frequency.
    pub peaks: Vec<Peak>,
    /// Peaks that most seats have and some lack; left alone.
    pub disputed: Vec<Peak>,
    /// What may be cut, not above 0 dB.
    pub wish: Curve,
}

/// Judges the zone below the transition as far as the seats cover it; `None` where they do not cover
/// enough or `from_hz`, below which nothing is corrected, leaves nothing to judge. `upper_db` is the wish for the
/// speaker itself at a frequency; the seats are heard with it. No cut is narrower than
/// `device` makes it.
pub(super) fn judge(
    seats: &SeatLevels,
    coverage: &Coverage,
    transition_hz: f64,
    from_hz: Option<f64>,
    device: &Device,
    upper_db: impl Fn(f64) -> f64,
) -> Option<Judged> {
    let peaking = device.limits_of(Kind::Peaking);
    let q_at_most = peaking.map_or(f64::INFINITY, |limits| limits.q.highest());
    let (covered_from_hz, covered_to_hz) = coverage.covered_hz();
    let judged_from_hz = covered_from_hz.max(from_hz.unwrap_or(0.0));
    let enough = coverage.is_used() && judged_from_hz * LEAST_JUDGED_OCT.exp2() <= covered_to_hz;
    enough.then(|| of_seats(seats, transition_hz, judged_from_hz, q_at_most, upper_db))
}

/// 1 up to the transition, falling smoothly to 0 at [`JOIN_OCT`] above it.
pub(super) fn below_transition(f_hz: f64, transition_hz: f64) -> f64 {
    let t = 1.0 - ((f_hz / transition_hz).log2() / JOIN_OCT).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

fn of_seats(
    seats: &SeatLevels,
    transition_hz: f64,
    judged_from_hz: f64,
    q_at_most: f64,
    upper_db: impl Fn(f64) -> f64,
) -> Judged {
    let source = seats.grid();
    let first_hz = source.first_hz().max(LOWEST_HZ);
    let last_hz = source.last_hz().min(transition_hz * ABOVE_OCT.exp2());
    let grid = Grid::logarithmic(first_hz, last_hz, POINTS_PER_OCTAVE);
    let measured: Vec<Vec<f64>> = seats
        .seats()
        .iter()
        .map(|seat| {
            // The grid lies within the source's.
            let levels = resample_db(source, &seat.levels_db, &grid);
            levels.into_iter().map(|l| l.unwrap_or(0.0)).collect()
        })
        .collect();
    let heard: Vec<Vec<f64>> = measured
        .iter()
        .map(|seat| {
            let with = seat.iter().zip(grid.freqs_hz());
            with.map(|(level, f)| level + upper_db(*f)).collect()
        })
        .collect();
    let zone = grid.range(judged_from_hz * (1.0 - 1e-9), transition_hz * (1.0 + 1e-9));
    let weights: Vec<f64> = grid
        .cells_oct()
        .iter()
        .zip(grid.freqs_hz())
        .map(|(cell, f)| cell * below_transition(*f, transition_hz))
        .collect();
    let mut levelled_now = levelled(&grid, &heard, zone.clone());
    let mut found = Found::default();
    for look in 0..=LOOKS {
        let view = Seats {
            grid: &grid,
            over_db: over(&heard, &levelled_now.baseline_db, &levelled_now.offsets_db),
            weights: weights.clone(),
            heard_db: &heard,
            heard: zone.clone(),
            q_at_most,
            zone: above_corner(&grid, &levelled_now.baseline_db, zone.clone()),
        };
        found = view.peaks();
        if look < LOOKS {
            let mut without = heard.clone();
            for peak in &found.shared {
                let shape = bell_db(grid.freqs_hz(), peak.f0_hz, SKIRTS * peak.q, peak.cut_db);
                for seat in &mut without {
                    seat.iter_mut().zip(&shape).for_each(|(v, s)| *v -= s);
                }
            }
            levelled_now = levelled(&grid, &without, zone.clone());
        }
    }
    let mut wish_db = vec![0.0; grid.len()];
    for peak in &found.shared {
        for (wish, cut) in wish_db.iter_mut().zip(peak.cut_shape_db(grid.freqs_hz())) {
            *wish -= cut;
        }
    }
    let wish = Curve::new(grid.clone(), wish_db)
        .map(|at| at.value_db * below_transition(at.f_hz, transition_hz));
    Judged {
        names: seats.seats().iter().map(|seat| seat.name.clone()).collect(),
        over_db: over(
            &measured,
            &levelled_now.baseline_db,
            &levelled_now.offsets_db,
        ),
        baseline_db: levelled_now.baseline_db,
        peaks: found.shared,
        disputed: found.disputed,
        wish,
        zone,
        grid,
    }
}

fn over(seats_db: &[Vec<f64>], baseline_db: &[f64], offsets_db: &[f64]) -> Vec<Vec<f64>> {
    seats_db
        .iter()
        .zip(offsets_db)
        .map(|(seat, offset)| {
            let pairs = seat.iter().zip(baseline_db);
            pairs.map(|(level, base)| level - base - offset).collect()
        })
        .collect()
}

/// The zone without what lies below the low corner of the common curve.
fn above_corner(grid: &Grid, baseline_db: &[f64], zone: Range<usize>) -> Range<usize> {
    let cells = grid.cells_oct();
    let sum: f64 = cells[zone.clone()].iter().sum();
    let level_db: f64 = zone.clone().map(|i| cells[i] * baseline_db[i]).sum::<f64>() / sum;
    let start = zone
        .clone()
        .find(|i| baseline_db[*i] > level_db + CORNER_DB)
        .unwrap_or(zone.start);
    start..zone.end
}

impl Judged {
    /// What may be cut at `f_hz`, dB, not above 0; nothing outside of what the seats show.
    pub fn wish_at(&self, f_hz: f64) -> f64 {
        let within = self.grid.first_hz() * (1.0 - 1e-9)..=self.grid.last_hz() * (1.0 + 1e-9);
        if within.contains(&f_hz) {
            self.wish.at_db(f_hz)
        } else {
            0.0
        }
    }

    /// Whether the seats say anything of `f_hz` within the zone.
    pub fn covers(&self, f_hz: f64) -> bool {
        let freqs_hz = self.grid.freqs_hz();
        (freqs_hz[self.zone.start]..=freqs_hz[self.zone.end - 1]).contains(&f_hz)
    }

    /// Mean over the seats of what they lie over the baseline, dB.
    pub fn mean_over_db(&self) -> Vec<f64> {
        let count = self.over_db.len() as f64;
        (0..self.grid.len())
            .map(|i| self.over_db.iter().map(|seat| seat[i]).sum::<f64>() / count)
            .collect()
    }
}
