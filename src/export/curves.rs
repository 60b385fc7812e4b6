//! Averaged curves as a table for any program: comma-separated, header first, LF.
//!
//! The columns are `freq_hz` and those of `AveragedCurves::named`; after a plan the same names
//! with `_after` follow. A curve that could not be had has no column. Levels have four decimals,
//! far below what any measurement resolves; frequencies are the shortest decimals that read back
//! to the same value.

use crate::average::{Average, AveragedCurves};
use crate::error::{Error, Result};
use crate::filter_list::shortest;

/// The table of `curves`, and of the same curves `after` a plan.
///
/// # Errors
/// When `after` stands on other frequencies, or a level is not finite.
pub fn table(curves: &AveragedCurves, after: Option<&AveragedCurves>) -> Result<String> {
    let mut columns: Vec<(String, &Average)> = Vec::new();
    for (set, suffix) in [(Some(curves), ""), (after, "_after")] {
        let Some(set) = set else { continue };
        if set.grid != curves.grid {
            return Err(Error::call(
                "curves before and after stand on different frequencies",
            ));
        }
        for (name, curve) in set.named() {
            if let Some(curve) = curve {
                columns.push((format!("{name}{suffix}"), curve));
            }
        }
    }
    let mut out = String::from("freq_hz");
    for (name, _) in &columns {
        out.push(',');
        out.push_str(name);
    }
    out.push('\n');
    for (i, f_hz) in curves.grid.freqs_hz().iter().enumerate() {
        out.push_str(&shortest(*f_hz));
        for (name, curve) in &columns {
            let level_db = curve.levels_db[i];
            if !level_db.is_finite() {
                return Err(Error::range(
                    format!("{name} at {f_hz} Hz"),
                    format!("{level_db} dB"),
                    "finite",
                ));
            }
            out.push(',');
            out.push_str(&decimals(level_db, 4));
        }
        out.push('\n');
    }
    Ok(out)
}

/// `value` with a fixed number of decimals, without the sign that rounding to 0 would leave.
pub(super) fn decimals(value: f64, count: usize) -> String {
    let text = format!("{value:.count$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|b| b == b'0' || b == b'.') => digits.to_string(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;

    fn curves() -> AveragedCurves {
        let grid = Grid::new(vec![20.0, 1000.0 / 3.0]).unwrap();
        let window = Some(vec![-0.00001, 1.23456]);
        let power = Some(vec![-3.0, -2.0]);
        AveragedCurves::from_table(grid, [None, window, None, power, None, None, None])
    }

    #[test]
    fn the_whole_table_with_absent_curves_left_out() {
        assert_eq!(
            table(&curves(), None).unwrap(),
            "freq_hz,listening_window,sound_power,sound_power_di\n\
             20,0.0000,-3.0000,3.0000\n\
             333.3333333333333,1.2346,-2.0000,3.2346\n"
        );
    }

    #[test]
    fn what_a_plan_changes_follows_under_the_same_names() {
        let after = curves().with_gain(&[0.5, -1.0]);
        let text = table(&curves(), Some(&after)).unwrap();
        assert_eq!(
            text.lines().next().unwrap(),
            "freq_hz,listening_window,sound_power,sound_power_di,\
             listening_window_after,sound_power_after,sound_power_di_after"
        );
        assert!(text.ends_with(",1.2346,-2.0000,3.2346,0.2346,-3.0000,3.2346\n"));
    }

    #[test]
    fn other_frequencies_and_levels_that_are_none_are_refused() {
        let grid = Grid::new(vec![20.0, 300.0]).unwrap();
        let window = Some(vec![0.0, f64::NEG_INFINITY]);
        let other = AveragedCurves::from_table(grid, [None, window, None, None, None, None, None]);
        assert!(table(&curves(), Some(&other)).is_err());
        assert!(table(&other, None).is_err());
    }
}
