//! Writes what `train.py` beside it learns the audit's weights from: simulated speakers of both
//! physics, what the audit hears of them, and what is true of them.
//!
//! `cargo run --release --example weights -- --speakers 3000 --physics sphere --out FOLDER`
//!
//! Seeds stay below 100000: those above judge.

#[path = "../trial/population.rs"]
#[allow(dead_code)]
mod population;
#[path = "../trial/score.rs"]
#[allow(dead_code)]
mod score;

use clap::Parser;
use planish::Result;
use planish::audit::{self, Evidence as Heard, Subject};
use planish::average::{AveragedCurves, RearWall};
use planish::simulate::{DefectKind, FieldSpeaker, Simulated, SketchSpeaker, Speaker, full_orbits};
use population::{Evidence, Physics, measurement};
use std::path::PathBuf;

/// Writes training data, one file for each speaker.
#[derive(Parser)]
struct Arguments {
    /// Number of speakers
    #[arg(long, default_value_t = 3000)]
    speakers: u64,
    /// Seed of the first one; the others follow
    #[arg(long, default_value_t = 161)]
    seed: u64,
    /// What they are made of
    #[arg(long, value_enum, default_value_t = Physics::Sphere)]
    physics: Physics,
    /// Folder to write to
    #[arg(long)]
    out: PathBuf,
}

fn main() -> Result<()> {
    let arguments = Arguments::parse();
    let failed = |e: std::io::Error| planish::Error::call(format!("cannot write: {e}"));
    std::fs::create_dir_all(&arguments.out).map_err(failed)?;
    for seed in arguments.seed..arguments.seed + arguments.speakers {
        let values = match arguments.physics {
            Physics::Sphere => samples(&Speaker::draw(seed), seed)?,
            Physics::Field => samples(&FieldSpeaker::draw(seed), seed)?,
            Physics::Sketch => samples(&SketchSpeaker::draw(seed), seed)?,
        };
        let bytes: Vec<u8> = values
            .iter()
            .flat_map(|v| (*v as f32).to_le_bytes())
            .collect();
        let path = arguments.out.join(format!("{seed}.f32"));
        std::fs::write(path, bytes).map_err(failed)?;
    }
    Ok(())
}

/// What is true of a speaker, dB on one grid.
struct Truth {
    /// The listening window without what no EQ mends.
    window_db: Vec<f64>,
    room_swing_db: Vec<f64>,
    axis_ripple_db: Vec<f64>,
    cancelled_db: Vec<f64>,
}

/// The speaker measured in full, and once more in a lesser way that follows from the seed.
fn samples(speaker: &impl Simulated, seed: u64) -> Result<Vec<f64>> {
    let lesser = match seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 33 {
        draw if draw % 10 < 3 => Evidence::OneSide,
        draw if draw % 10 < 7 => Evidence::NoVertical,
        _ => Evidence::Averages,
    };
    let mut values = Vec::new();
    let mut truth: Option<Truth> = None;
    for evidence in [Evidence::Full, lesser] {
        // Another density and noise for the second look.
        let look = measurement(seed + u64::from(evidence != Evidence::Full), evidence);
        let response = speaker.measure(&look)?.mirrored().0;
        let curves = AveragedCurves::from_response(&response, RearWall::default());
        let subject = Subject {
            response: (evidence != Evidence::Averages).then_some(&response),
            curves: &curves,
            target: &planish::read::target::target("flat")?,
            trusted_from_hz: None,
            trusted_to_hz: None,
            second_source: None,
        };
        let heard = audit::evidence(&subject, &audit::Options::default())?;
        let truth = match &truth {
            Some(truth) => truth,
            None => truth.insert(truth_of(speaker, &heard)?),
        };
        write(&mut values, &heard, truth);
    }
    Ok(values)
}

fn truth_of(speaker: &impl Simulated, heard: &Heard) -> Result<Truth> {
    let healthy = speaker.healthy().response(&heard.grid, &full_orbits())?;
    let healthy = AveragedCurves::from_response(&healthy, RearWall::default());
    let nothing = vec![0.0; heard.grid.len()];
    let mut truth = Truth {
        window_db: healthy
            .listening_window
            .map_or_else(Vec::new, |w| w.levels_db),
        room_swing_db: nothing.clone(),
        axis_ripple_db: nothing.clone(),
        cancelled_db: nothing,
    };
    for (k, (kind, _)) in speaker.defects_known().into_iter().enumerate() {
        let Some(effect) = speaker.effect(k, &heard.grid) else {
            continue;
        };
        let (sum, part) = match kind {
            kind if kind.is_correctable() => (&mut truth.window_db, &effect.listening_window_db),
            DefectKind::DirectivityStep => (&mut truth.room_swing_db, &effect.in_room_db),
            DefectKind::SingleAxisRipple => (&mut truth.axis_ripple_db, &effect.on_axis_db),
            _ => (&mut truth.cancelled_db, &effect.listening_window_db),
        };
        sum.iter_mut().zip(part).for_each(|(s, p)| *s += p);
    }
    Ok(truth)
}

/// Number of frequencies, first one in Hz, corner in Hz or 0, first and one beyond the last
/// judged; the window, the truth (not shared, swing, ripple, cancelled), the evidence.
fn write(values: &mut Vec<f64>, heard: &Heard, truth: &Truth) {
    values.extend([
        heard.grid.len() as f64,
        heard.grid.first_hz(),
        heard.corner_hz.unwrap_or(0.0),
        heard.judged.start as f64,
        heard.judged.end as f64,
    ]);
    // The window's deviation has its level taken out; so has the truth.
    let not_shared = heard
        .window_db
        .iter()
        .zip(&truth.window_db)
        .map(|(w, t)| w - (t - heard.level_db));
    values.extend(not_shared);
    for curve in [
        &truth.room_swing_db,
        &truth.axis_ripple_db,
        &truth.cancelled_db,
    ] {
        values.extend(curve);
    }
    values.extend(heard.curves.iter().flatten());
}
