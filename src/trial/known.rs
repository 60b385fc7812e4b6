//! What is true of a loudspeaker with known defects: computed by the simulation, or read from a
//! file beside the measurement.

use crate::curve::{Grid, resample_db};
use crate::error::{Error, Result};
use crate::simulate::{DefectKind, Simulated};
use std::path::Path;

/// What is true of a speaker, dB over one grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// The listening window without any defect, level included.
    pub healthy_window_db: Vec<f64>,
    /// What of its small unevenness all angles share, where that is known.
    pub shared_unevenness_db: Option<Vec<f64>>,
    /// The defects, in the order in which they were given.
    pub defects: Vec<KnownDefect>,
}

/// A defect and what it alone changes, dB: the speaker with it minus the speaker without it.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownDefect {
    /// What it is.
    pub kind: DefectKind,
    /// Where it is.
    pub f_hz: f64,
    /// What it changes in the listening window.
    pub window_db: Vec<f64>,
    /// What it changes in the predicted in-room response.
    pub room_db: Vec<f64>,
    /// What it changes on the axis.
    pub on_axis_db: Vec<f64>,
}

impl Known {
    /// The truth as the simulation computes it on `grid`.
    ///
    /// # Errors
    /// See [`Simulated::response`].
    pub fn of(speaker: &impl Simulated, grid: &Grid) -> Result<Known> {
        let truth = speaker.truth(grid)?;
        let defects = truth.effects.into_iter();
        Ok(Known {
            healthy_window_db: truth.healthy_window_db,
            shared_unevenness_db: truth.shared_unevenness_db,
            defects: defects
                .map(|(kind, f_hz, effect)| KnownDefect {
                    kind,
                    f_hz,
                    window_db: effect.listening_window_db,
                    room_db: effect.in_room_db,
                    on_axis_db: effect.on_axis_db,
                })
                .collect(),
        })
    }

    /// What the correctable defects change in the listening window together, dB.
    pub fn correctable_db(&self) -> Vec<f64> {
        let mut sum_db = vec![0.0; self.healthy_window_db.len()];
        for defect in self.defects.iter().filter(|d| d.kind.is_correctable()) {
            (sum_db.iter_mut().zip(&defect.window_db)).for_each(|(sum, effect)| *sum += effect);
        }
        sum_db
    }

    /// The EQ that the truth asks for, dB: minus what the correctable defects change in the listening
    /// window and minus the unevenness that all angles share, as far as it is known (DESIGN, section 4).
    pub fn ideal_eq_db(&self) -> Vec<f64> {
        let mut eq_db: Vec<f64> = self.correctable_db().iter().map(|effect| -effect).collect();
        for (eq, uneven) in eq_db
            .iter_mut()
            .zip(self.shared_unevenness_db.iter().flatten())
        {
            *eq -= uneven;
        }
        eq_db
    }

    /// What of the window's deviation all angles may share or not, dB: the whole of the healthy
    /// speaker's where its shared part is not known, level included; else nothing.
    pub fn open_db(&self) -> Vec<f64> {
        match self.shared_unevenness_db {
            Some(_) => vec![0.0; self.healthy_window_db.len()],
            None => self.healthy_window_db.clone(),
        }
    }

    /// The same on another grid; beyond the ends of `grid` values stay what they are there.
    pub fn on(&self, grid: &Grid, to: &Grid) -> Known {
        let there = |levels_db: &Vec<f64>| on_grid(grid, levels_db, to);
        Known {
            healthy_window_db: there(&self.healthy_window_db),
            shared_unevenness_db: self.shared_unevenness_db.as_ref().map(there),
            defects: self
                .defects
                .iter()
                .map(|d| KnownDefect {
                    window_db: there(&d.window_db),
                    room_db: there(&d.room_db),
                    on_axis_db: there(&d.on_axis_db),
                    ..*d
                })
                .collect(),
        }
    }

    /// Reads `truth.csv` in a speaker folder and brings it onto `grid`. Its columns are `freq_hz`,
    /// `healthy_listening_window`, perhaps `shared_unevenness`, then for each defect
    /// `k:KIND:HZ:window`, `k:KIND:HZ:in_room` and `k:KIND:HZ:on_axis`; KIND is the name of a
    /// [`DefectKind`] joined by hyphens.
    ///
    /// # Errors
    /// When the file is missing or is no such table.
    pub fn read(folder: &Path, grid: &Grid) -> Result<Known> {
        let path = folder.join("truth.csv");
        let wrong = |what: String| Error::call(format!("{}: {what}", path.display()));
        let mut table = csv::Reader::from_path(&path).map_err(|e| wrong(e.to_string()))?;
        let names: Vec<String> = table
            .headers()
            .map_err(|e| wrong(e.to_string()))?
            .iter()
            .map(String::from)
            .collect();
        let mut columns: Vec<Vec<f64>> = vec![Vec::new(); names.len()];
        for row in table.deserialize::<Vec<f64>>() {
            let row = row.map_err(|e| wrong(e.to_string()))?;
            columns.iter_mut().zip(row).for_each(|(c, v)| c.push(v));
        }
        let mut columns = columns.into_iter();
        let own = columns
            .next()
            .and_then(Grid::new)
            .ok_or_else(|| wrong("frequencies do not rise".into()))?;
        let mut curves = columns.map(|levels_db| on_grid(&own, &levels_db, grid));
        let mut next = || {
            curves
                .next()
                .ok_or_else(|| wrong("a column is missing".into()))
        };
        let uneven = names.get(2).is_some_and(|name| name == "shared_unevenness");
        let mut known = Known {
            healthy_window_db: next()?,
            shared_unevenness_db: match uneven {
                true => Some(next()?),
                false => None,
            },
            defects: Vec::new(),
        };
        for name in names.iter().skip(2 + usize::from(uneven)).step_by(3) {
            let parts: Vec<&str> = name.split(':').collect();
            let (Some(kind), Some(Ok(f_hz))) = (
                parts.get(1).and_then(|s| kind_named(s)),
                parts.get(2).map(|s| s.parse()),
            ) else {
                return Err(wrong(format!("{name:?} names no kind and frequency")));
            };
            known.defects.push(KnownDefect {
                kind,
                f_hz,
                window_db: next()?,
                room_db: next()?,
                on_axis_db: next()?,
            });
        }
        Ok(known)
    }

    /// Whether every curve has a value for each frequency of `grid`.
    pub fn is_on(&self, grid: &Grid) -> bool {
        let curves = self
            .defects
            .iter()
            .flat_map(|d| [&d.window_db, &d.room_db, &d.on_axis_db]);
        curves
            .chain([&self.healthy_window_db])
            .chain(&self.shared_unevenness_db)
            .all(|curve| curve.len() == grid.len())
    }
}

/// The kind of this name, its words joined by hyphens.
fn kind_named(name: &str) -> Option<DefectKind> {
    DefectKind::ALL.into_iter().find(|kind| {
        let whole = kind.name().replace(' ', "-");
        whole == name || whole.strip_suffix("-ripple") == Some(name)
    })
}

/// A curve on another grid, its first and last value beyond its ends; empty where it is empty.
fn on_grid(from: &Grid, levels_db: &[f64], to: &Grid) -> Vec<f64> {
    let (Some(first_db), Some(last_db)) = (levels_db.first(), levels_db.last()) else {
        return Vec::new();
    };
    resample_db(from, levels_db, to)
        .into_iter()
        .zip(to.freqs_hz())
        .map(|(level_db, f_hz)| {
            level_db.unwrap_or(if *f_hz < from.first_hz() {
                *first_db
            } else {
                *last_db
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_truth_in_a_file_is_read_as_it_stands_there() {
        let dir = tempfile::tempdir().unwrap();
        let table = "freq_hz,healthy_listening_window,\
            0:deep-null:1000:window,0:deep-null:1000:in_room,0:deep-null:1000:on_axis,\
            1:single-axis:4000:window,1:single-axis:4000:in_room,1:single-axis:4000:on_axis\n\
            100,85,0,0,0,0,0,0\n1000,84,-9,-1,-15,0,0,0\n10000,86,0,0,0,0.5,0.25,3\n";
        std::fs::write(dir.path().join("truth.csv"), table).unwrap();
        let grid = Grid::new(vec![100.0, 1000.0, 10_000.0, 20_000.0]).unwrap();
        let known = Known::read(dir.path(), &grid).unwrap();
        let near = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9);
        assert!(known.is_on(&grid));
        // Beyond the end it stays what it is there.
        assert!(near(&known.healthy_window_db, &[85.0, 84.0, 86.0, 86.0]));
        let [null, ripple] = &known.defects[..] else {
            panic!("{} defects", known.defects.len());
        };
        assert_eq!((null.kind, null.f_hz), (DefectKind::DeepNull, 1000.0));
        assert!(near(&null.window_db, &[0.0, -9.0, 0.0, 0.0]));
        assert!(near(&null.room_db, &[0.0, -1.0, 0.0, 0.0]));
        assert!(near(&null.on_axis_db, &[0.0, -15.0, 0.0, 0.0]));
        assert_eq!(ripple.kind, DefectKind::SingleAxisRipple);
        assert!(near(&ripple.on_axis_db, &[0.0, 0.0, 3.0, 3.0]));
        assert_eq!(known.shared_unevenness_db, None);
        let uneven = table
            .replace(
                "healthy_listening_window,",
                "healthy_listening_window,shared_unevenness,",
            )
            .replace(",85,", ",85,0.5,")
            .replace(",84,", ",84,-0.5,")
            .replace(",86,", ",86,0.25,");
        std::fs::write(dir.path().join("truth.csv"), uneven).unwrap();
        let same = Known::read(dir.path(), &grid).unwrap();
        let shared_db = same.shared_unevenness_db.as_ref().unwrap();
        assert!(near(shared_db, &[0.5, -0.5, 0.25, 0.25]));
        assert_eq!(same.defects, known.defects);
        let coarse = Grid::new(vec![100.0, 1000.0]).unwrap();
        assert!(same.on(&grid, &coarse).is_on(&coarse));
        let nameless = table.replace("1:single-axis", "1:hum");
        std::fs::write(dir.path().join("truth.csv"), nameless).unwrap();
        assert!(Known::read(dir.path(), &grid).is_err());
    }

    #[test]
    fn a_truth_without_rows_or_columns_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let grid = Grid::logarithmic(100.0, 1000.0, 3.0);
        for table in [
            "",
            "freq_hz\n",
            "freq_hz,healthy_listening_window\n",
            "freq_hz\n100\n200\n",
            "freq_hz,healthy_listening_window,0:balance:300:window\n100,80,0\n200,80,0\n",
            "freq_hz,healthy_listening_window\n100,80\n200\n",
        ] {
            std::fs::write(dir.path().join("truth.csv"), table).unwrap();
            assert!(Known::read(dir.path(), &grid).is_err(), "{table:?}");
        }
    }
}
