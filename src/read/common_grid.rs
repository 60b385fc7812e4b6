//! One grid for tables that were measured on several.

use crate::curve::Grid;

/// The densest grid that is nowhere denser than any of `grids`, over the range all of them
/// cover: after each frequency comes the furthest of what the grids have next. Where one grid is
/// the sparsest everywhere, the result is that grid inside the common range.
///
/// Equal grids give themselves. `None` when fewer than two frequencies are left.
pub(super) fn sparsest_everywhere(grids: &[&Grid]) -> Option<Grid> {
    let first = *grids.first()?;
    if grids.iter().all(|grid| *grid == first) {
        return Some(first.clone());
    }
    let from_hz = grids.iter().map(|g| g.first_hz()).fold(0.0, f64::max);
    let to_hz = grids.iter().map(|g| g.last_hz()).fold(f64::MAX, f64::min);
    // What each grid has not yet been asked for; only ever forward, since grids may be many and
    // long.
    let mut rests: Vec<&[f64]> = grids.iter().map(|grid| grid.freqs_hz()).collect();
    let mut freqs_hz = Vec::new();
    let mut at_hz = from_hz;
    while at_hz <= to_hz {
        freqs_hz.push(at_hz);
        let mut furthest = Some(0.0f64);
        for rest in &mut rests {
            let passed = rest.iter().take_while(|f| **f <= at_hz).count();
            *rest = &rest[passed..];
            furthest = furthest.zip(rest.first()).map(|(so_far, f)| so_far.max(*f));
        }
        match furthest {
            Some(f_hz) => at_hz = f_hz,
            None => break,
        }
    }
    Grid::new(freqs_hz)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_grids_stay_exactly_as_they_are() {
        let grid = Grid::logarithmic(20.0, 20000.0, 12.0);
        assert_eq!(sparsest_everywhere(&[&grid, &grid.clone()]), Some(grid));
    }

    #[test]
    fn the_sparser_grid_wins_inside_the_common_range() {
        let dense = Grid::logarithmic(50.0, 12800.0, 48.0);
        let sparse = Grid::new((0..=10).map(|i| 20.0 * f64::from(i).exp2()).collect()).unwrap();
        let common = sparsest_everywhere(&[&dense, &sparse]).unwrap();
        assert_eq!(
            common.freqs_hz(),
            [
                50.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 5120.0, 10240.0
            ]
        );
    }

    #[test]
    fn the_result_is_nowhere_denser_than_any_of_the_grids() {
        let logarithmic = Grid::logarithmic(20.0, 20000.0, 24.0);
        let linear = Grid::new((1..2000).map(|i| 12.5 * f64::from(i)).collect()).unwrap();
        let common = sparsest_everywhere(&[&logarithmic, &linear]).unwrap();
        for pair in common.freqs_hz().windows(2) {
            for grid in [&logarithmic, &linear] {
                let inside = grid
                    .freqs_hz()
                    .iter()
                    .filter(|f| **f > pair[0] && **f <= pair[1]);
                assert!(inside.count() >= 1, "{pair:?}");
            }
        }
        assert!(common.len() > 150);
    }

    #[test]
    fn grids_without_a_common_range_have_none() {
        let low = Grid::logarithmic(20.0, 200.0, 3.0);
        let high = Grid::logarithmic(300.0, 3000.0, 3.0);
        assert_eq!(sparsest_everywhere(&[&low, &high]), None);
    }
}
