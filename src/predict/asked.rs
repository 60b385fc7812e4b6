//! What was asked for against what is known: found in a whole plan, for the first lines of
//! everything shown.

use super::contradiction::{Contradiction, HEARD_IN_PLACE_HZ};
use super::plan::Plan;
use super::situation::CrossoverTaken;
use crate::{pair, seats};

/// More is asked than is given by this at least before it is called a contradiction, dB: the
/// tables and rules are no finer. Our own judgement.
const BEYOND_DB: f64 = 1.0;

/// A peak that stays by more than this over what was wanted is said first, dB.
const STAYS_DB: f64 = 1.0;

/// A difference between two units from here on is said first, dB: common practice grants units of
/// one kind 3 dB, and this is twice that.
const UNALIKE_DB: f64 = 6.0;

/// Everything that `plan` was asked for and the measurement or the device does not support.
pub fn contradictions(plan: &Plan) -> Vec<Contradiction> {
    let situation = &plan.situation;
    let mut all = Vec::new();
    if let Some(taken) = &plan.crossover {
        all.extend(of_crossover(taken, plan));
    }
    all.extend(of_level(plan));
    all.extend(of_load(plan));
    if let Some(room) = &situation.room {
        all.extend(of_room(room, plan));
    }
    if let Some(aim) = situation
        .aim
        .as_ref()
        .filter(|aim| !aim.missing_deg.is_empty())
    {
        all.push(Contradiction::AimBeyondMeasured {
            aim_deg: aim.aim_deg,
            missing_deg: aim.missing_deg.clone(),
        });
    }
    if let Some(pair) = &situation.pair {
        all.extend(of_pair(pair));
    }
    all
}

fn of_crossover(taken: &CrossoverTaken, plan: &Plan) -> Vec<Contradiction> {
    let crossover = &taken.crossover;
    let wanted = crossover.wanted;
    let sub_hz = wanted.f_hz;
    let stages = plan.stages_allowed();
    let stages_taken = crossover.highpass.len();
    let mut all = Vec::new();
    if crossover.highpass.is_empty() {
        all.push(Contradiction::NoHighpass {
            device: plan.device.name.clone(),
            wanted,
        });
    } else if stages_taken >= stages {
        all.push(Contradiction::NoStagesLeft {
            stages,
            taken: stages_taken,
        });
    }
    if let Some(corner_hz) = plan.audit.corner_hz.filter(|corner_hz| *corner_hz > sub_hz) {
        all.push(Contradiction::SubBelowCorner { sub_hz, corner_hz });
    }
    if let Some(trusted_from_hz) = plan.trusted.from_hz.filter(|from_hz| *from_hz > sub_hz) {
        all.push(Contradiction::SubBelowTrusted {
            sub_hz,
            trusted_from_hz,
        });
    }
    if sub_hz > HEARD_IN_PLACE_HZ {
        all.push(Contradiction::SubHeardInPlace { sub_hz });
    }
    all
}

fn of_level(plan: &Plan) -> Option<Contradiction> {
    let budget = plan.situation.level.as_ref()?;
    let (worst, playable_db) = (budget.worst?, budget.playable_db?);
    (worst.excess_db() > BEYOND_DB).then_some(Contradiction::LevelBeyondSpeaker {
        level_db: budget.wanted.level_db,
        worst,
        playable_db,
    })
}

fn of_load(plan: &Plan) -> Option<Contradiction> {
    let load = plan.situation.load.as_ref()?;
    let rated_ohm = load
        .rated_ohm
        .filter(|_| load.keeps_rating() == Some(false))?;
    Some(Contradiction::RatingBroken {
        rated_ohm,
        least: load.least,
    })
}

fn of_room(room: &seats::Decided, plan: &Plan) -> Vec<Contradiction> {
    let transition_hz = room.transition.hz();
    let mut all = Vec::new();
    if room.transition.origin() == seats::Origin::Assumed {
        all.push(Contradiction::TransitionAssumed { transition_hz });
    }
    if transition_hz > seats::USUAL_AT_MOST_HZ {
        all.push(Contradiction::TransitionHigh { transition_hz });
    }
    if let Some(trusted_from_hz) = plan.trusted.from_hz
        && trusted_from_hz > transition_hz * (1.0 + 1e-9)
    {
        all.push(Contradiction::TransitionBelowTrusted {
            transition_hz,
            trusted_from_hz,
        });
    }
    if let Some(coverage) = room.coverage {
        all.extend(of_coverage(coverage, transition_hz, plan));
    }
    let peaks_hz: Vec<f64> = room
        .outcome
        .iter()
        .flat_map(|outcome| &outcome.peaks)
        .filter(|peak| peak.short_db() > STAYS_DB)
        .map(|peak| peak.peak.f0_hz)
        .collect();
    if !peaks_hz.is_empty() {
        all.push(Contradiction::SharedPeaksStay {
            peaks_hz,
            stages: plan.stages_allowed() - plan.crossover_stages().len(),
        });
    }
    all
}

fn of_coverage(coverage: seats::Coverage, transition_hz: f64, plan: &Plan) -> Vec<Contradiction> {
    let zone_from_hz = coverage.zone_hz.0;
    let mut all = Vec::new();
    if let Some(from_hz) = plan.asked.from_hz.filter(|from_hz| *from_hz > zone_from_hz) {
        all.push(Contradiction::FromWithinRoom {
            from_hz,
            transition_hz,
        });
    }
    let uncut = plan.crossover.as_ref().filter(|taken| taken.room.is_none());
    let uncut_hz = uncut.map(|taken| taken.crossover.wanted.f_hz);
    if let Some(sub_hz) = uncut_hz.filter(|sub_hz| *sub_hz > zone_from_hz) {
        all.push(Contradiction::SubWithinRoom { sub_hz });
    }
    if !coverage.is_used() {
        all.push(Contradiction::SeatsElsewhere { coverage });
        return all;
    }
    if coverage.is_short() {
        all.push(Contradiction::SeatsShort { coverage });
    }
    if let Some(points_per_octave) = coverage.coarse_per_octave() {
        all.push(Contradiction::SeatsCoarse { points_per_octave });
    }
    if coverage.seats == 1 {
        all.push(Contradiction::OneSeat);
    }
    all
}

fn of_pair(pair: &pair::Decided) -> Vec<Contradiction> {
    let common = pair.common;
    let mut all = Vec::new();
    if common.same_numbers {
        all.push(Contradiction::UnitsHoldTheSame);
    }
    if common.angles_of_one {
        all.push(Contradiction::AnglesOfOneUnit);
    }
    if common.is_shorter || common.lacking > 0 {
        all.push(Contradiction::UnitsShowLess {
            common_hz: (common.band.from_hz, common.band.to_hz),
            lacking: common.lacking,
        });
    }
    if let Some(largest) = pair.matched.largest()
        && largest.value_db.abs() >= UNALIKE_DB
    {
        all.push(Contradiction::UnitsUnalike {
            difference_db: largest.value_db.abs(),
            at_hz: largest.f_hz,
        });
    }
    all
}
