//! Averaged curves as CSV.

use crate::average::AveragedCurves;
use crate::error::{Error, Result};

/// A table with the columns of DESIGN, section 7: `freq_hz`, then every curve that is there,
/// then, with `after`, the same names with `_after`. A curve that is absent has no column; see
/// [`absent`]. Levels are rounded to 0.0001 dB, frequencies are written in full.
///
/// # Errors
/// When `after` is on other frequencies, or a level is not finite.
pub fn table(before: &AveragedCurves, after: Option<&AveragedCurves>) -> Result<String> {
    if after.is_some_and(|after| after.grid != before.grid) {
        return Err(Error::call(
            "curves before and after have different frequencies",
        ));
    }
    let mut names = vec!["freq_hz".to_string()];
    let mut columns: Vec<&[f64]> = vec![before.grid.freqs_hz()];
    for (curves, ending) in [(Some(before), ""), (after, "_after")] {
        for (name, curve) in curves.into_iter().flat_map(AveragedCurves::named) {
            if let Some(curve) = curve {
                names.push(format!("{name}{ending}"));
                columns.push(&curve.levels_db);
            }
        }
    }
    let mut out = names.join(",") + "\n";
    for i in 0..before.grid.len() {
        for (column, values) in columns.iter().enumerate() {
            let value = values[i];
            if !value.is_finite() {
                return Err(Error::call(format!(
                    "{} is not finite at {} Hz",
                    names[column],
                    before.grid.freqs_hz()[i]
                )));
            }
            if column == 0 {
                out.push_str(&value.to_string());
            } else {
                out.push(',');
                out.push_str(&level(value));
            }
        }
        out.push('\n');
    }
    Ok(out)
}

/// The names of the curves that are absent and so have no column.
pub fn absent(curves: &AveragedCurves) -> Vec<&'static str> {
    curves
        .named()
        .into_iter()
        .filter(|(_, curve)| curve.is_none())
        .map(|(name, _)| name)
        .collect()
}

/// Four decimals; a rounded zero has no sign.
pub(super) fn level(value_db: f64) -> String {
    let text = format!("{value_db:.4}");
    match text.strip_prefix('-') {
        Some(zero) if zero.bytes().all(|b| b == b'0' || b == b'.') => zero.to_string(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;

    #[test]
    fn absent_curves_have_no_column_and_zero_no_sign() {
        let grid = Grid::new(vec![20.5, 1000.0]).unwrap();
        let mut columns: [Option<Vec<f64>>; 7] = Default::default();
        columns[0] = Some(vec![-0.00001, 1.23456]);
        let curves = AveragedCurves::from_table(grid, columns);
        let after = curves.with_gain(&[0.0, -1.0]);
        assert_eq!(
            table(&curves, Some(&after)).unwrap(),
            "freq_hz,on_axis,on_axis_after\n20.5,0.0000,0.0000\n1000,1.2346,0.2346\n"
        );
        assert_eq!(absent(&curves).len(), 6);
    }

    #[test]
    fn a_level_that_is_not_finite_is_not_written() {
        let grid = Grid::new(vec![20.0, 1000.0]).unwrap();
        let mut columns: [Option<Vec<f64>>; 7] = Default::default();
        columns[1] = Some(vec![0.0, f64::NEG_INFINITY]);
        let error = table(&AveragedCurves::from_table(grid, columns), None).unwrap_err();
        assert_eq!(
            error.to_string(),
            "listening_window is not finite at 1000 Hz"
        );
    }
}
