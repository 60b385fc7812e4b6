//! How loud a speaker plays cleanly, from tables of distortion and compression.

use super::{Compression, Distortion};

/// Most harmonic distortion above [`LOW_HZ`], per cent. The trade's usual bars: 3 % where the
/// ear is keen, 10 % in the bass (common practice).
pub const DISTORTION_PERCENT: f64 = 3.0;

/// Most harmonic distortion at and below [`LOW_HZ`], per cent (common practice).
pub const DISTORTION_LOW_PERCENT: f64 = 10.0;

/// Where the two bars meet, Hz (common practice).
pub const LOW_HZ: f64 = 200.0;

/// Most loss of level, dB (common practice).
pub const COMPRESSION_DB: f64 = 1.0;

/// Farther below the lowest level of a table nothing is said, dB.
const BELOW_TABLE_AT_MOST_DB: f64 = 20.0;

/// The highest clean level at a frequency, dB SPL at 1 m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Highest {
    /// The limit is reached here.
    Known(f64),
    /// The tables end here without having reached it.
    AtLeast(f64),
}

impl Highest {
    /// The level, reached or not.
    pub fn level_db(self) -> f64 {
        match self {
            Highest::Known(level_db) | Highest::AtLeast(level_db) => level_db,
        }
    }
}

/// Highest clean levels by frequency.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Clean {
    /// One list of ascending frequencies in Hz for each table.
    tables: Vec<Vec<(f64, Highest)>>,
}

impl Clean {
    /// What the tables allow. Their levels were measured at `distance_m` metres and are brought
    /// to 1 m by the free-field law.
    pub fn new(
        distortion: Option<&Distortion>,
        compression: Option<&Compression>,
        distance_m: f64,
    ) -> Clean {
        let to_1_m_db = super::free_field_loss_db(distance_m);
        let mut tables = Vec::new();
        if let Some(t) = distortion {
            let limit = |f_hz: f64| {
                if f_hz > LOW_HZ {
                    DISTORTION_PERCENT
                } else {
                    DISTORTION_LOW_PERCENT
                }
            };
            tables.push(by_frequency(
                &t.freqs_hz,
                &t.level_db,
                &t.thd_percent,
                |f_hz, rows| distortion_reaches(rows, limit(f_hz)),
                to_1_m_db,
            ));
        }
        if let Some(t) = compression {
            tables.push(by_frequency(
                &t.freqs_hz,
                &t.level_db,
                &t.loss_db,
                |_, rows| compression_reaches(rows),
                to_1_m_db,
            ));
        }
        Clean { tables }
    }

    /// Whether there is no table.
    pub fn is_empty(&self) -> bool {
        self.tables.is_empty()
    }

    /// The highest clean level at `f_hz`: what the stricter table has reached, else the lowest
    /// level that none of them has found a limit at. `None` outside all tables.
    pub fn at(&self, f_hz: f64) -> Option<Highest> {
        let said: Vec<Highest> = self
            .tables
            .iter()
            .filter_map(|table| between(table, f_hz))
            .collect();
        let lowest = |known: bool| {
            said.iter()
                .filter(|h| matches!(h, Highest::Known(_)) == known)
                .copied()
                .min_by(|a, b| a.level_db().total_cmp(&b.level_db()))
        };
        lowest(true).or_else(|| lowest(false))
    }
}

/// Rows of one frequency: level in dB and the figure that is limited, by ascending level.
type Rows = Vec<(f64, f64)>;

fn by_frequency(
    freqs_hz: &[f64],
    levels_db: &[f64],
    figures: &[f64],
    reaches: impl Fn(f64, &Rows) -> Highest,
    to_1_m_db: f64,
) -> Vec<(f64, Highest)> {
    let mut groups: Vec<(f64, Rows)> = Vec::new();
    for ((f_hz, level_db), figure) in freqs_hz.iter().zip(levels_db).zip(figures) {
        let row = (level_db + to_1_m_db, *figure);
        match groups.last_mut() {
            Some((at_hz, rows)) if at_hz == f_hz => rows.push(row),
            _ => groups.push((*f_hz, vec![row])),
        }
    }
    groups
        .into_iter()
        .map(|(f_hz, mut rows)| {
            rows.sort_by(|a, b| a.0.total_cmp(&b.0));
            (f_hz, reaches(f_hz, &rows))
        })
        .collect()
}

/// Where distortion reaches `limit` per cent: between two rows along the logarithm of both;
/// below the lowest row as a second harmonic falls, in proportion to the amplitude. Others fall
/// faster, so this errs on the quiet side.
fn distortion_reaches(rows: &Rows, limit: f64) -> Highest {
    let (first_db, first) = rows[0];
    if first > limit {
        let below_db = (20.0 * (first / limit).log10()).min(BELOW_TABLE_AT_MOST_DB);
        return Highest::Known(first_db - below_db);
    }
    for pair in rows.windows(2) {
        let ((low_db, low), (high_db, high)) = (pair[0], pair[1]);
        if high > limit {
            // A distortion of 0 has no logarithm: a thousandth of a per cent stands for none.
            let log = |percent: f64| percent.max(1e-3).log10();
            let share = (log(limit) - log(low)) / (log(high) - log(low));
            return Highest::Known(low_db + share.clamp(0.0, 1.0) * (high_db - low_db));
        }
    }
    Highest::AtLeast(rows[rows.len() - 1].0)
}

/// Where the loss reaches [`COMPRESSION_DB`]: along a straight line between two rows; a table
/// that starts beyond says only that it is its lowest level or less.
fn compression_reaches(rows: &Rows) -> Highest {
    if rows[0].1 > COMPRESSION_DB {
        return Highest::Known(rows[0].0);
    }
    for pair in rows.windows(2) {
        let ((low_db, low), (high_db, high)) = (pair[0], pair[1]);
        if high > COMPRESSION_DB {
            let share = (COMPRESSION_DB - low) / (high - low);
            return Highest::Known(low_db + share.clamp(0.0, 1.0) * (high_db - low_db));
        }
    }
    Highest::AtLeast(rows[rows.len() - 1].0)
}

/// The level at `f_hz` along log frequency; known only between two known ones.
fn between(table: &[(f64, Highest)], f_hz: f64) -> Option<Highest> {
    let after = table.partition_point(|(at_hz, _)| *at_hz < f_hz);
    let (high_hz, high) = *table.get(after)?;
    if high_hz == f_hz {
        return Some(high);
    }
    let (low_hz, low) = *table.get(after.checked_sub(1)?)?;
    let share = (f_hz / low_hz).ln() / (high_hz / low_hz).ln();
    let level_db = low.level_db() + share * (high.level_db() - low.level_db());
    Some(match (low, high) {
        (Highest::Known(_), Highest::Known(_)) => Highest::Known(level_db),
        _ => Highest::AtLeast(level_db),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_limit_lies_between_the_rows_on_either_side_of_it() {
        let table = Distortion {
            freqs_hz: vec![100.0, 100.0, 1000.0, 1000.0],
            level_db: vec![80.0, 100.0, 80.0, 100.0],
            thd_percent: vec![1.0, 100.0, 0.3, 30.0],
        };
        let clean = Clean::new(Some(&table), None, 1.0);
        // 10 % is half of the way from 1 to 100 %, 3 % half of the way from 0.3 to 30 %.
        assert_eq!(clean.at(100.0), Some(Highest::Known(90.0)));
        let Some(Highest::Known(level_db)) = clean.at(1000.0) else {
            panic!("{:?}", clean.at(1000.0))
        };
        assert!((level_db - 90.0).abs() < 1e-9);
        assert_eq!(clean.at(50.0), None);
        // Twice as far away the same level is 6.02 dB more at a metre.
        let far = Clean::new(Some(&table), None, 2.0);
        assert!((far.at(100.0).unwrap().level_db() - 96.0206).abs() < 1e-4);
    }

    #[test]
    fn a_table_that_never_reaches_the_limit_says_only_at_least() {
        let table = Compression {
            freqs_hz: vec![100.0, 100.0, 200.0, 200.0],
            level_db: vec![80.0, 90.0, 80.0, 90.0],
            loss_db: vec![0.1, 0.4, 0.0, 2.0],
        };
        let clean = Clean::new(None, Some(&table), 1.0);
        assert_eq!(clean.at(100.0), Some(Highest::AtLeast(90.0)));
        assert_eq!(clean.at(200.0), Some(Highest::Known(85.0)));
        assert!(matches!(clean.at(140.0), Some(Highest::AtLeast(_))));
    }

    #[test]
    fn below_the_table_distortion_falls_with_the_amplitude() {
        let table = Distortion {
            freqs_hz: vec![500.0],
            level_db: vec![90.0],
            thd_percent: vec![6.0],
        };
        let clean = Clean::new(Some(&table), None, 1.0);
        let Some(Highest::Known(level_db)) = clean.at(500.0) else {
            panic!()
        };
        assert!((level_db - 83.979).abs() < 1e-3, "{level_db}");
    }
}
