//! What the filters do at the seats.

use super::judged::Judged;
use super::peak::Peak;
use super::shared::variance_within;

/// A dip of a seat this deep is a null, dB under the baseline.
const NULL_DB: f64 = -10.0;

/// What the filters do at the seats. `gains_db` lies on the grid of [`Judged`].
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Gain of all filters, dB.
    pub gains_db: Vec<f64>,
    /// Every seat.
    pub seats: Vec<SeatAfter>,
    /// Every shared peak.
    pub peaks: Vec<PeakAfter>,
}

/// One seat before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct SeatAfter {
    /// Variance of its level over the baseline within the zone, every octave alike, dB^2.
    pub variance_before_db2: f64,
    /// The same with the filters.
    pub variance_after_db2: f64,
    /// The null that is filled most: where, Hz, and by which share of its depth the filters raise
    /// it (the level above the transition stands). `None` for a seat without nulls.
    pub null_filled: Option<(f64, f64)>,
}

/// One shared peak before and after.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakAfter {
    /// The peak.
    pub peak: Peak,
    /// What the wish takes off there, dB, not negative.
    pub wanted_db: f64,
    /// Gain of all filters at its middle without the speaker's own share, dB.
    pub gain_db: f64,
}

impl PeakAfter {
    /// What stays of its mean height, dB.
    pub fn left_db(&self) -> f64 {
        self.peak.mean_db + self.gain_db
    }

    /// By how much the filters fall short of the cut that was wanted, dB; negative when they cut
    /// more.
    pub fn short_db(&self) -> f64 {
        self.wanted_db + self.gain_db
    }
}

impl Outcome {
    /// What `gains_db` do, of which `upper_db` are the speaker's own share; both on the grid of
    /// `judged`.
    pub fn new(judged: &Judged, gains_db: Vec<f64>, upper_db: &[f64]) -> Outcome {
        let cells = judged.grid.cells_oct();
        let seats = judged
            .over_db
            .iter()
            .map(|seat| {
                let after: Vec<f64> = seat.iter().zip(&gains_db).map(|(s, g)| s + g).collect();
                SeatAfter {
                    variance_before_db2: variance_within(seat, &cells, judged.zone.clone()),
                    variance_after_db2: variance_within(&after, &cells, judged.zone.clone()),
                    null_filled: nulls(seat, judged)
                        .map(|i| {
                            let filled = (gains_db[i] - upper_db[i]).max(0.0) / -seat[i];
                            (judged.grid.freqs_hz()[i], filled)
                        })
                        .max_by(|a, b| a.1.total_cmp(&b.1)),
                }
            })
            .collect();
        let peaks = judged
            .peaks
            .iter()
            .map(|peak| {
                let i = judged.grid.nearest(peak.f0_hz);
                PeakAfter {
                    peak: *peak,
                    wanted_db: -judged.wish.values_db()[i],
                    gain_db: gains_db[i] - upper_db[i],
                }
            })
            .collect();
        Outcome {
            gains_db,
            seats,
            peaks,
        }
    }
}

/// Where a seat has its nulls within the zone.
fn nulls<'a>(seat: &'a [f64], judged: &'a Judged) -> impl Iterator<Item = usize> + 'a {
    let last = seat.len() - 1;
    judged.zone.clone().filter(move |i| {
        seat[*i] <= NULL_DB
            && (*i == 0 || seat[*i] <= seat[i - 1])
            && (*i == last || seat[*i] < seat[i + 1])
    })
}
