//! Where and how the speaker plays, as its owner said, and what follows from it.

use super::contradiction::{Contradiction, HEARD_IN_PLACE_HZ};
use crate::aim::{Aimed, Beam, VerticalHold};
use crate::budget::{
    Asked, Clean, Crossover, Excess, LevelWanted, Load, LowEnd, excursion_gain_db,
};

/// What the owner said of the situation, and advice that needs nothing said.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Situation {
    /// What was asked against what is known; for the first lines of everything shown.
    pub contradictions: Vec<Contradiction>,
    /// The axis that was listened on, when it was not the speaker's own.
    pub aim: Option<AimTaken>,
    /// The crossover to a subwoofer.
    pub crossover: Option<CrossoverTaken>,
    /// A level at the seat against what the speaker gives.
    pub level: Option<LevelBudget>,
    /// The load, where the impedance was measured.
    pub load: Option<Load>,
    /// The figures of a data sheet.
    pub low_end: Option<LowEnd>,
    /// How far up and down the plan holds, where vertical angles were measured.
    pub vertical: Option<VerticalHold>,
    /// How wide the speaker beams, round its own axis.
    pub beams: Vec<Beam>,
    /// Distance of the seat, m, where it was said.
    pub distance_m: Option<f64>,
    /// What was decided below the transition frequency, where something was said of the room.
    pub room: Option<crate::seats::Decided>,
    /// How the pair matches, where the plan is one for two units.
    pub pair: Option<crate::pair::Decided>,
}

/// An aim that a plan was made for.
#[derive(Debug, Clone, PartialEq)]
pub struct AimTaken {
    /// Degrees to the positive horizontal side of the speaker's own axis.
    pub aim_deg: f64,
    /// True where the new horizontal angles lie between measured ones.
    pub between: bool,
}

/// A crossover that a plan was made for.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossoverTaken {
    /// The crossover as the device holds it.
    pub crossover: Crossover,
    /// By how much the speaker may play louder without the low end, by excursion alone, dB; an
    /// upper bound. `None` where its corner is not known.
    pub excursion_gain_db: Option<f64>,
    /// What the subwoofer's list does about the room, where seats were measured with the
    /// subwoofer playing.
    pub room: Option<crate::seats::BelowCrossover>,
}

/// A level at the seat against what the speaker gives.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelBudget {
    /// What was wanted.
    pub wanted: LevelWanted,
    /// Whether there was a table of distortion, and one of compression.
    pub tables: [bool; 2],
    /// Where most is asked against a known limit, with the plan applied.
    pub worst: Option<Excess>,
    /// Where more is asked than the tables reach without having found a limit.
    pub beyond_tables: Option<Excess>,
    /// The highest average level at the seat that stays within the limits that the tables show, dB SPL.
    pub playable_db: Option<f64>,
    /// The same without the highpass to a subwoofer, where there is one.
    pub playable_without_highpass_db: Option<f64>,
    /// Voltage that peaks take, V rms, where the sensitivity is known.
    pub peak_v: Option<f64>,
}

impl LevelBudget {
    /// The budget at the frequencies of an audit. `output_db` is what the speaker gives with the
    /// plan applied, dB over its level, `highpass_db` what a crossover takes off.
    pub fn new(
        wanted: LevelWanted,
        clean: &Clean,
        tables: [bool; 2],
        freqs_hz: &[f64],
        output_db: &[f64],
        highpass_db: Option<&[f64]>,
    ) -> LevelBudget {
        let asked = Asked { wanted, clean };
        let with_highpass: Vec<f64> = match highpass_db {
            Some(highpass_db) => output_db
                .iter()
                .zip(highpass_db)
                .map(|(o, h)| o + h)
                .collect(),
            None => output_db.to_vec(),
        };
        let playable = |worst: &Excess| wanted.level_db - worst.excess_db();
        let worst = asked.worst(freqs_hz, &with_highpass);
        LevelBudget {
            wanted,
            tables,
            playable_db: worst.as_ref().map(playable),
            playable_without_highpass_db: highpass_db
                .and_then(|_| asked.worst(freqs_hz, output_db))
                .as_ref()
                .map(playable),
            beyond_tables: asked.beyond_tables(freqs_hz, &with_highpass),
            worst,
            peak_v: None,
        }
    }
}

/// More is asked than is given by this at least before it is called a contradiction, dB: the
/// tables and rules are no finer. Our own judgement.
const BEYOND_DB: f64 = 1.0;

impl Situation {
    /// Takes note of the axis that was listened on.
    pub fn take_aim(&mut self, aimed: &Aimed) {
        self.aim = Some(AimTaken {
            aim_deg: aimed.aim_deg,
            between: aimed.between,
        });
        if !aimed.missing_deg.is_empty() {
            self.contradictions.push(Contradiction::AimBeyondMeasured {
                aim_deg: aimed.aim_deg,
                missing_deg: aimed.missing_deg.clone(),
            });
        }
    }

    /// Takes note of a crossover on `device`, which may use `stages` stages.
    pub fn take_crossover(
        &mut self,
        crossover: Crossover,
        device: &str,
        stages: usize,
        corner_hz: Option<f64>,
        trusted_from_hz: Option<f64>,
    ) {
        let wanted = crossover.wanted;
        let sub_hz = wanted.f_hz;
        let mut say = |contradiction| self.contradictions.push(contradiction);
        if crossover.highpass.is_empty() {
            say(Contradiction::NoHighpass {
                device: device.to_string(),
                wanted,
            });
        } else if crossover.highpass.len() >= stages {
            say(Contradiction::NoStagesLeft {
                stages,
                taken: crossover.highpass.len(),
            });
        }
        if let Some(corner_hz) = corner_hz.filter(|corner_hz| *corner_hz > sub_hz) {
            say(Contradiction::SubBelowCorner { sub_hz, corner_hz });
        }
        if let Some(trusted_from_hz) = trusted_from_hz.filter(|from_hz| *from_hz > sub_hz) {
            say(Contradiction::SubBelowTrusted {
                sub_hz,
                trusted_from_hz,
            });
        }
        if sub_hz > HEARD_IN_PLACE_HZ {
            say(Contradiction::SubHeardInPlace { sub_hz });
        }
        self.crossover = Some(CrossoverTaken {
            excursion_gain_db: corner_hz.map(|corner_hz| excursion_gain_db(sub_hz, corner_hz)),
            crossover,
            room: None,
        });
    }

    /// Takes note of a level.
    pub fn take_level(&mut self, budget: LevelBudget) {
        if let (Some(worst), Some(playable_db)) = (budget.worst, budget.playable_db)
            && worst.excess_db() > BEYOND_DB
        {
            self.contradictions.push(Contradiction::LevelBeyondSpeaker {
                level_db: budget.wanted.level_db,
                worst,
                playable_db,
            });
        }
        self.level = Some(budget);
    }

    /// Takes note of the load.
    pub fn take_load(&mut self, load: Load) {
        if let (Some(rated_ohm), Some(false)) = (load.rated_ohm, load.keeps_rating()) {
            self.contradictions.push(Contradiction::RatingBroken {
                rated_ohm,
                least: load.least,
            });
        }
        self.load = Some(load);
    }
}
