//! Where and how the speaker plays, as its owner said, and what follows from it.

use crate::aim::{Aimed, Beam, VerticalHold};
use crate::budget::{Asked, Crossover, Excess, LevelWanted, Load, LowEnd};
use crate::curve::Curve;

/// What the owner said of the situation, and advice that needs nothing said.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Situation {
    /// The axis that was listened on, when it was not the speaker's own.
    pub aim: Option<AimTaken>,
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
    /// Horizontal angles of the listening window that were not measured, degrees from the new axis.
    pub missing_deg: Vec<f64>,
}

impl From<&Aimed> for AimTaken {
    fn from(aimed: &Aimed) -> AimTaken {
        AimTaken {
            aim_deg: aimed.aim_deg,
            between: aimed.between,
            missing_deg: aimed.missing_deg.clone(),
        }
    }
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
    /// The budget of a speaker. `output` is what it gives with the plan applied, over its level,
    /// `highpass` what a crossover takes off; `peak_v` what peaks take from the amplifier, V rms.
    pub fn new(
        asked: &Asked,
        tables: [bool; 2],
        output: &Curve,
        highpass: Option<&Curve>,
        peak_v: Option<f64>,
    ) -> LevelBudget {
        let wanted = asked.wanted;
        let with_highpass = highpass.map_or_else(|| output.clone(), |highpass| output + highpass);
        let playable = |worst: &Excess| wanted.level_db - worst.excess_db();
        let worst = asked.worst(&with_highpass);
        LevelBudget {
            wanted,
            tables,
            playable_db: worst.as_ref().map(playable),
            playable_without_highpass_db: highpass
                .and_then(|_| asked.worst(output))
                .as_ref()
                .map(playable),
            beyond_tables: asked.beyond_tables(&with_highpass),
            worst,
            peak_v,
        }
    }
}
