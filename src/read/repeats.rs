//! One direction measured several times: put together where the repeats agree.

use crate::response::Member;
use crate::units::{db_to_power, power_to_db};

/// Two measurements of one direction that differ by no more than this, dB rms over frequency,
/// are repeats; more is a contradiction. Our own judgement: careful repeats agree within a few
/// tenths of a decibel, at the back of a speaker somewhat worse.
pub(super) const REPEATS_DB: f64 = 0.5;

/// How far two level curves of one length lie apart, dB rms.
pub(super) fn apart_db(a_db: &[f64], b_db: &[f64]) -> f64 {
    let sum: f64 = a_db.iter().zip(b_db).map(|(a, b)| (a - b) * (a - b)).sum();
    (sum / a_db.len().max(1) as f64).sqrt()
}

/// The mean of two measurements of one direction on one grid, levels as power; `weight` is how
/// many measurements stand behind `so_far`. Phases are brought within half a turn of each other
/// and averaged; where one has none, the result has none.
pub(super) fn add(so_far: &mut Member, more: &Member, weight: f64) {
    for (level, other) in so_far.levels_db.iter_mut().zip(&more.levels_db) {
        if level == other {
            continue;
        }
        let power = (weight * db_to_power(*level) + db_to_power(*other)) / (weight + 1.0);
        *level = power_to_db(power);
    }
    let Some(phase_deg) = so_far.phase_deg.as_mut() else {
        return;
    };
    match &more.phase_deg {
        Some(other) => {
            for (phase, other) in phase_deg.iter_mut().zip(other) {
                let turns = ((*other - *phase) / 360.0).round();
                *phase += (other - 360.0 * turns - *phase) / (weight + 1.0);
            }
        }
        None => so_far.phase_deg = None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::{Direction, Orbit};

    #[test]
    fn levels_are_averaged_as_power_and_phases_across_the_turn() {
        let member = |level_db: f64, phase_deg: f64| Member {
            direction: Direction::new(Orbit::Horizontal, 180.0),
            levels_db: vec![level_db; 2],
            phase_deg: Some(vec![phase_deg; 2]),
            mirrored: false,
        };
        let mut mean = member(0.0, 170.0);
        add(&mut mean, &member(-100.0, -170.0), 1.0);
        assert!((mean.levels_db[0] + 3.0103).abs() < 1e-4);
        assert!((mean.phase_deg.unwrap()[1] - 180.0).abs() < 1e-12);
        assert!((apart_db(&[0.0, 0.0], &[3.0, -4.0]) - 12.5f64.sqrt()).abs() < 1e-12);
    }
}
