//! How well two units match.

use crate::curve::{At, Curve, Grid};

/// Lower end of the octave bands' middles, Hz, and how many octaves. Source: IEC 61260-1, nominal
/// midband frequencies 31.5 Hz to 16 kHz; exact middles 1000 * 10^(3k/10).
const LOWEST_BAND: i32 = -5;
const HIGHEST_BAND: i32 = 4;

/// Nominal midband frequencies of the octaves, Hz. Source: IEC 61260-1 (from memory).
const NOMINAL_HZ: [f64; 10] = [
    31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0,
];

/// Less than this share of a band is no band.
const LEAST_SHARE: f64 = 0.5;

/// How the second unit of a pair compares to the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Matched {
    /// The frequencies that both cover.
    pub grid: Grid,
    /// Listening window of each unit minus its target, level taken out, dB.
    pub deviations_db: [Vec<f64>; 2],
    /// Listening window of the second unit minus that of the first, level taken out, over a
    /// twelfth of an octave, dB.
    pub difference_db: Vec<f64>,
    /// Level of the second unit over the first, dB.
    pub level_db: f64,
    /// By octave bands, as far as both cover them.
    pub bands: Vec<OctaveBand>,
}

/// One octave band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OctaveBand {
    /// Nominal middle, Hz.
    pub middle_hz: f64,
    /// Mean of the second unit minus the first, level taken out, dB.
    pub mean_db: f64,
    /// Root of the mean square of it, dB.
    pub rms_db: f64,
    /// Largest of it, either sign, dB.
    pub largest_db: f64,
}

impl Matched {
    pub(super) fn new(
        grid: Grid,
        deviations_db: [Vec<f64>; 2],
        difference_db: Vec<f64>,
        level_db: f64,
    ) -> Matched {
        let bands = bands(&grid, &difference_db);
        Matched {
            grid,
            deviations_db,
            difference_db,
            level_db,
            bands,
        }
    }

    /// Where the units differ most within 100 Hz to 10 kHz (what lies beyond is lost to roll-off
    /// and microphones), and by how much, with its sign. `None` when that was not measured.
    pub fn largest(&self) -> Option<At> {
        let range = self.grid.range(100.0, 10_000.0);
        Curve::new(self.grid.clone(), self.difference_db.clone()).largest_within(range)
    }
}

fn bands(grid: &Grid, difference_db: &[f64]) -> Vec<OctaveBand> {
    let cells = grid.cells_oct();
    (LOWEST_BAND..=HIGHEST_BAND)
        .zip(NOMINAL_HZ)
        .filter_map(|(k, middle_hz)| {
            let exact_hz = 1000.0 * 10f64.powf(0.3 * f64::from(k));
            // Edges half an octave away: 10^(3/20). Source: IEC 61260-1.
            let edge = 10f64.powf(0.15);
            let range = grid.range(exact_hz / edge, exact_hz * edge);
            let width: f64 = cells[range.clone()].iter().sum();
            if width < LEAST_SHARE {
                return None;
            }
            let part = || range.clone().map(|i| (cells[i], difference_db[i]));
            Some(OctaveBand {
                middle_hz,
                mean_db: part().map(|(w, d)| w * d).sum::<f64>() / width,
                rms_db: (part().map(|(w, d)| w * d * d).sum::<f64>() / width).sqrt(),
                largest_db: part().map(|(_, d)| d).fold(0.0, |most: f64, d| {
                    if d.abs() > most.abs() { d } else { most }
                }),
            })
        })
        .collect()
}
