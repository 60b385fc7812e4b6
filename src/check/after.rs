//! The speaker measured again through the filters: predicted against obtained curves.

use crate::average::AveragedCurves;
use crate::curve::{Grid, Smoother, resample_db};
use crate::units::octaves;

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct After {
    /// Whether every curve of a level agrees over the whole judged band.
    pub matches: bool,
    /// Lowest frequency judged, Hz.
    pub from_hz: f64,
    /// Highest frequency judged, Hz.
    pub to_hz: f64,
    /// Level of the new measurement over the prediction, dB; one for all curves, taken out.
    pub level_db: f64,
    /// One for each curve that both have.
    pub curves: Vec<CurveAfter>,
}

/// One curve, predicted against obtained.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveAfter {
    /// Its name, as in tables.
    pub name: &'static str,
    /// Root mean square of the difference, dB.
    pub rms_db: f64,
    /// The largest difference (obtained less predicted), dB, and where, Hz.
    pub largest: (f64, f64),
    /// The widest band, Hz, over which the two agree; `None` where they agree nowhere.
    pub agrees_hz: Option<(f64, f64)>,
    /// Whether they agree over the whole judged band.
    pub matches: bool,
}

/// Curves agree where they differ by no more than this, dB: what two set-ups of the same
/// measurement differ by (our own judgement; 1 dB is the just noticeable difference of level in
/// everyday listening, handbook figure, from memory).
pub const AGREE_DB: f64 = 1.0;

/// Differences are smoothed to this width first, octaves: narrower ones come from moving the
/// speaker by a millimetre.
const SMOOTHED_OCT: f64 = 1.0 / 6.0;

/// Density at which the curves are compared.
const POINTS_PER_OCTAVE: f64 = 24.0;

/// Less in common is no comparison, octaves. Our own judgement.
const LEAST_BAND_OCT: f64 = 1.0;

/// Compares `obtained` with `predicted` curves between `from_hz` and `to_hz`, as far as both
/// reach. `None` when they have too little in common.
pub fn after(
    predicted: &AveragedCurves,
    obtained: &AveragedCurves,
    from_hz: f64,
    to_hz: f64,
) -> Option<After> {
    let from_hz = from_hz
        .max(predicted.grid.first_hz())
        .max(obtained.grid.first_hz());
    let to_hz = to_hz
        .min(predicted.grid.last_hz())
        .min(obtained.grid.last_hz());
    if !(from_hz > 0.0 && octaves(from_hz, to_hz) >= LEAST_BAND_OCT) {
        return None;
    }
    let grid = Grid::logarithmic(from_hz, to_hz, POINTS_PER_OCTAVE);
    let on_grid = |curves: &AveragedCurves, levels_db: &[f64]| {
        resample_db(&curves.grid, levels_db, &grid)
            .into_iter()
            .collect::<Option<Vec<f64>>>()
    };
    let smoother = Smoother::new(&grid, SMOOTHED_OCT);
    let mut differences: Vec<(&'static str, Vec<f64>)> = Vec::new();
    for ((name, predicted_db), (_, obtained_db)) in
        predicted.named().into_iter().zip(obtained.named())
    {
        if let (Some(p), Some(o)) = (predicted_db, obtained_db) {
            let p = on_grid(predicted, &p.levels_db)?;
            let o = on_grid(obtained, &o.levels_db)?;
            let difference: Vec<f64> = o.iter().zip(&p).map(|(o, p)| o - p).collect();
            differences.push((name, smoother.apply(&difference)));
        }
    }
    // A directivity index is a difference of levels and has none of its own.
    let is_level = |name: &str| !name.ends_with("_di");
    let cells_oct = grid.cells_oct();
    let whole_oct: f64 = cells_oct.iter().sum();
    let mean = |values: &[f64]| {
        values
            .iter()
            .zip(&cells_oct)
            .map(|(v, w)| v * w)
            .sum::<f64>()
            / whole_oct
    };
    let levels: Vec<f64> = differences
        .iter()
        .filter(|(name, _)| is_level(name))
        .map(|(_, d)| mean(d))
        .collect();
    if levels.is_empty() {
        return None;
    }
    let level_db = levels.iter().sum::<f64>() / levels.len() as f64;
    let curves: Vec<CurveAfter> = differences
        .iter()
        .map(|(name, difference)| {
            let level_db = if is_level(name) { level_db } else { 0.0 };
            let left: Vec<f64> = difference.iter().map(|d| d - level_db).collect();
            curve_after(
                name,
                &grid,
                &left,
                mean(&left.iter().map(|d| d * d).collect::<Vec<_>>()),
            )
        })
        .collect();
    Some(After {
        matches: curves
            .iter()
            .filter(|c| is_level(c.name))
            .all(|c| c.matches),
        from_hz,
        to_hz,
        level_db,
        curves,
    })
}

fn curve_after(name: &'static str, grid: &Grid, left_db: &[f64], mean_db2: f64) -> CurveAfter {
    let freqs_hz = grid.freqs_hz();
    let largest = freqs_hz
        .iter()
        .zip(left_db)
        .map(|(f, d)| (*d, *f))
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
        .unwrap_or((0.0, 0.0));
    let mut widest: Option<(f64, f64)> = None;
    let mut start: Option<usize> = None;
    for (i, d) in left_db.iter().enumerate() {
        if d.abs() > AGREE_DB {
            start = None;
            continue;
        }
        let first = *start.get_or_insert(i);
        let band = (freqs_hz[first], freqs_hz[i]);
        if widest.is_none_or(|w| band.1 / band.0 > w.1 / w.0) {
            widest = Some(band);
        }
    }
    CurveAfter {
        name,
        rms_db: mean_db2.sqrt(),
        largest,
        agrees_hz: widest,
        matches: left_db.iter().all(|d| d.abs() <= AGREE_DB),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curves(change: impl Fn(f64) -> f64) -> AveragedCurves {
        let grid = Grid::logarithmic(50.0, 18000.0, 20.0);
        let level: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| (f / 700.0).ln().sin() + change(*f))
            .collect();
        AveragedCurves::from_table(
            grid,
            [
                None,
                Some(level.clone()),
                None,
                Some(level),
                None,
                None,
                None,
            ],
        )
    }

    #[test]
    fn another_level_matches_and_the_index_needs_none() {
        let found = after(&curves(|_| 0.0), &curves(|_| 7.0), 20.0, 20000.0).unwrap();
        assert!(found.matches && (found.level_db - 7.0).abs() < 1e-9);
        let index = found
            .curves
            .iter()
            .find(|c| c.name == "sound_power_di")
            .unwrap();
        assert!(index.largest.0.abs() < 1e-9);
    }

    #[test]
    fn a_treble_that_is_off_is_said_with_the_band_that_agrees() {
        let off = |f: f64| if f > 8000.0 { 3.0 } else { 0.0 };
        let found = after(&curves(|_| 0.0), &curves(off), 20.0, 20000.0).unwrap();
        assert!(!found.matches);
        let window = &found.curves[0];
        let (from_hz, to_hz) = window.agrees_hz.unwrap();
        assert!(
            from_hz < 51.0 && (7000.0..8500.0).contains(&to_hz),
            "{to_hz}"
        );
        assert!(window.largest.1 > 8000.0);
    }
}
