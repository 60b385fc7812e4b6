//! What is known of a speaker's defects: asked of the simulation, or told by a file beside the
//! measurement.

use planish::average::AveragedCurves;
use planish::curve::{Grid, resample_db};
use planish::simulate::{DefectKind, Simulated, full_orbits};
use planish::{Error, Result};
use std::path::Path;

/// What is true of a speaker, dB over one grid.
pub struct Known {
    /// The listening window without any defect, level and all.
    pub healthy_window_db: Vec<f64>,
    pub defects: Vec<KnownDefect>,
}

/// A defect and what it alone changes, dB: the speaker with it minus the speaker without it.
pub struct KnownDefect {
    pub kind: DefectKind,
    pub f_hz: f64,
    pub window_db: Vec<f64>,
    pub room_db: Vec<f64>,
    pub on_axis_db: Vec<f64>,
}

impl Known {
    /// Asks the simulation.
    pub fn of(speaker: &impl Simulated, grid: &Grid) -> Result<Known> {
        let healthy = speaker.healthy().response(grid, &full_orbits())?;
        let healthy = AveragedCurves::from_response(&healthy, Default::default());
        let window = healthy.listening_window;
        let defects = speaker.defects_known().into_iter().enumerate();
        Ok(Known {
            healthy_window_db: window.map_or_else(Vec::new, |w| w.levels_db),
            defects: defects
                .filter_map(|(k, (kind, f_hz))| {
                    let effect = speaker.effect(k, grid)?;
                    Some(KnownDefect {
                        kind,
                        f_hz,
                        window_db: effect.listening_window_db,
                        room_db: effect.in_room_db,
                        on_axis_db: effect.on_axis_db,
                    })
                })
                .collect(),
        })
    }

    /// The same on another grid; beyond the ends it stays what it is there.
    pub fn on(&self, grid: &Grid, to: &Grid) -> Known {
        let there = |levels_db: &Vec<f64>| on_grid(grid, levels_db, to);
        Known {
            healthy_window_db: there(&self.healthy_window_db),
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

    /// Reads `truth.csv` in a speaker folder: `freq_hz`, `healthy_listening_window`, then for each
    /// defect `k:KIND:HZ:window`, `k:KIND:HZ:in_room` and `k:KIND:HZ:on_axis`.
    pub fn told(folder: &Path, grid: &Grid) -> Result<Known> {
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
        let mut known = Known {
            healthy_window_db: next()?,
            defects: Vec::new(),
        };
        for name in names.iter().skip(2).step_by(3) {
            let said: Vec<&str> = name.split(':').collect();
            let (Some(kind), Some(Ok(f_hz))) = (
                said.get(1).and_then(|s| kind_named(s)),
                said.get(2).map(|s| s.parse()),
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
}

/// The kind of this name, its words joined by hyphens.
fn kind_named(name: &str) -> Option<DefectKind> {
    DefectKind::ALL.into_iter().find(|kind| {
        let whole = kind.name().replace(' ', "-");
        whole == name || whole.strip_suffix("-ripple") == Some(name)
    })
}

fn on_grid(from: &Grid, levels_db: &[f64], to: &Grid) -> Vec<f64> {
    let (first_db, last_db) = (levels_db[0], levels_db[levels_db.len() - 1]);
    resample_db(from, levels_db, to)
        .into_iter()
        .zip(to.freqs_hz())
        .map(|(level_db, f_hz)| {
            level_db.unwrap_or(if *f_hz < from.first_hz() {
                first_db
            } else {
                last_db
            })
        })
        .collect()
}
