//! Stretches of frequency in which a curve stands out.

use crate::curve::Grid;
use std::ops::Range;

/// A stretch of one curve that stands out with one sign.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stretch {
    /// Indices of the frequencies.
    pub range: Range<usize>,
    /// Where it is largest: the middle of its summit.
    pub peak: usize,
}

impl Stretch {
    /// Lower and upper end, Hz.
    pub fn band_hz(&self, grid: &Grid) -> (f64, f64) {
        (
            grid.freqs_hz()[self.range.start],
            grid.freqs_hz()[self.range.end - 1],
        )
    }

    /// Width at half of its peak, octaves; at least the step of the grid.
    pub fn width_oct(&self, grid: &Grid) -> f64 {
        let (from_hz, to_hz) = self.band_hz(grid);
        (to_hz / from_hz).log2().max(1.0 / 48.0)
    }
}

/// A summit is what exceeds this share of the peak: which of two nearly equal frequencies of a flat
/// summit is the larger one is a matter of noise. Our own judgement.
const SUMMIT: f64 = 0.95;

/// Stretches in which `values` exceeds `least` in size with one sign, grown to half of their
/// peak on both sides, by ascending frequency. The flank of one is no further one: that has to
/// rise again, by half of `least`.
pub(super) fn stretches(values: &[f64], within: Range<usize>, least: f64) -> Vec<Stretch> {
    let mut found = Vec::new();
    let mut i = within.start;
    while i < within.end {
        if values[i].abs() < least {
            i += 1;
            continue;
        }
        let sign = values[i].signum();
        let mut end = i;
        let mut peak = i;
        while end < within.end && values[end] * sign >= 0.5 * values[peak].abs().max(least) {
            if values[end].abs() > values[peak].abs() {
                peak = end;
            }
            end += 1;
        }
        let half = 0.5 * values[peak].abs();
        let mut start = peak;
        while start > within.start && values[start - 1] * sign >= half {
            start -= 1;
        }
        let range = start..end.max(peak + 1);
        found.push(Stretch {
            peak: middle_of_summit(values, &range, peak),
            range,
        });
        i = end.max(i + 1);
        let mut valley = f64::INFINITY;
        while i < within.end && values[i] * sign >= least && values[i] * sign < valley + 0.5 * least
        {
            valley = valley.min(values[i] * sign);
            i += 1;
        }
    }
    found
}

/// Middle of the summit round `peak` within `range`.
fn middle_of_summit(values: &[f64], range: &Range<usize>, peak: usize) -> usize {
    let high = |i: &usize| values[*i] * values[peak].signum() >= SUMMIT * values[peak].abs();
    let first = (range.start..peak).rev().take_while(high).last();
    let last = (peak + 1..range.end).take_while(high).last();
    (first.unwrap_or(peak) + last.unwrap_or(peak)) / 2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flank_is_no_stretch_of_its_own_and_a_second_summit_is() {
        // Falls to a third slowly, with a wiggle; then rises again.
        let flank = [0.0, 9.0, 6.0, 4.0, 3.5, 3.6, 3.0, 2.0, 1.0, 0.0];
        assert_eq!(stretches(&flank, 0..10, 1.0).len(), 1);
        let twice = [0.0, 9.0, 6.0, 4.0, 3.0, 4.0, 6.0, 2.0, 1.0, 0.0];
        let peaks: Vec<usize> = stretches(&twice, 0..10, 1.0)
            .iter()
            .map(|s| s.peak)
            .collect();
        assert_eq!(peaks, [1, 6]);
    }

    #[test]
    fn a_bump_and_a_dip_are_two_stretches_down_to_half_their_size() {
        let values = [0.0, 1.0, 2.0, 4.0, 2.0, 1.0, 0.0, -3.0, -1.0, 0.0];
        let found = stretches(&values, 0..values.len(), 1.5);
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].range.clone(), found[0].peak), (2..5, 3));
        assert_eq!((found[1].range.clone(), found[1].peak), (7..8, 7));
    }

    #[test]
    fn the_peak_of_a_flat_summit_is_its_middle() {
        let values = [0.0, 1.0, 1.98, 1.96, 2.0, 1.95, 1.97, 1.0, 0.0];
        assert_eq!(stretches(&values, 0..9, 1.0)[0].peak, 4);
        let values = [0.0, 1.0, 2.0, 1.96, 1.98, 1.95, 1.97, 1.0, 0.0];
        assert_eq!(stretches(&values, 0..9, 1.0)[0].peak, 4);
    }

    #[test]
    fn nothing_outside_the_range_is_looked_at() {
        assert!(stretches(&[5.0, 0.0, 5.0], 1..2, 1.0).is_empty());
    }
}
