//! The owner's situation in the JSON documents.

use super::rows::{FindingRow, StageRow, to_text};
use crate::budget::{Ease, Excess, Law, Order};
use crate::predict::aims::{AimRow, Aims};
use crate::predict::situation::LevelBudget;
use crate::predict::{Plan, contradictions};
use crate::report::words::contradiction::contradiction;
use serde::Serialize;

/// The situation of a plan; what nothing was said of, or what could not be had, is `null`.
#[derive(Debug, Serialize)]
pub(super) struct SituationRow {
    contradictions: Vec<String>,
    aim_deg: Option<f64>,
    aim_between_angles: Option<bool>,
    subwoofer: Option<SubwooferRow>,
    level: Option<LevelRow>,
    load: Option<LoadRow>,
    f3_hz: Option<f64>,
    f6_hz: Option<f64>,
    f10_hz: Option<f64>,
    sensitivity_db: Option<f64>,
    distance_m: Option<f64>,
    holds_up_deg: Option<f64>,
    holds_down_deg: Option<f64>,
    beams: Vec<BeamRow>,
}

#[derive(Debug, Serialize)]
struct SubwooferRow {
    crossover_hz: f64,
    order: Order,
    highpass: Vec<StageRow>,
    lowpass: Vec<StageRow>,
    room: Vec<StageRow>,
    excursion_gain_db: Option<f64>,
}

#[derive(Debug, Serialize)]
struct LevelRow {
    level_db: f64,
    distance_m: f64,
    peaks_db: f64,
    asked_average_free_field_db: f64,
    asked_average_furnished_db: f64,
    asked_peak_free_field_db: f64,
    distortion_known: bool,
    compression_known: bool,
    tightest: Option<ExcessRow>,
    beyond_tables: Option<ExcessRow>,
    playable_db: Option<f64>,
    playable_without_highpass_db: Option<f64>,
    peak_v: Option<f64>,
}

#[derive(Debug, Serialize)]
struct ExcessRow {
    freq_hz: f64,
    asked_db: f64,
    clean_db: f64,
}

impl From<Excess> for ExcessRow {
    fn from(excess: Excess) -> Self {
        ExcessRow {
            freq_hz: excess.f_hz,
            asked_db: excess.asked_db,
            clean_db: excess.clean_db,
        }
    }
}

#[derive(Debug, Serialize)]
struct LoadRow {
    least_ohm: f64,
    least_at_hz: f64,
    rated_ohm: Option<f64>,
    keeps_rating: Option<bool>,
    allows_ohm: Option<f64>,
    least_epdr_ohm: Option<f64>,
    least_epdr_at_hz: Option<f64>,
    boosted: Option<BoostedRow>,
    ease: Ease,
}

#[derive(Debug, Serialize)]
struct BoostedRow {
    freq_hz: f64,
    gain_db: f64,
    ohm: f64,
    epdr_ohm: Option<f64>,
}

#[derive(Debug, Serialize)]
struct BeamRow {
    freq_hz: f64,
    left_deg: Option<f64>,
    right_deg: Option<f64>,
}

impl From<&Plan> for SituationRow {
    fn from(plan: &Plan) -> Self {
        let situation = &plan.situation;
        let aim = situation.aim.as_ref();
        let [f3_hz, f6_hz, f10_hz] = situation
            .low_end
            .as_ref()
            .map_or([None; 3], |low_end| low_end.corners_hz);
        SituationRow {
            contradictions: contradictions(plan)
                .iter()
                .map(|c| contradiction(c).to_string())
                .collect(),
            aim_deg: aim.map(|aim| aim.aim_deg),
            aim_between_angles: aim.map(|aim| aim.between),
            subwoofer: plan.crossover.as_ref().map(|taken| SubwooferRow {
                crossover_hz: taken.crossover.wanted.f_hz,
                order: taken.crossover.wanted.order,
                highpass: taken
                    .crossover
                    .highpass
                    .iter()
                    .map(StageRow::from)
                    .collect(),
                lowpass: taken.crossover.lowpass.iter().map(StageRow::from).collect(),
                room: taken
                    .room
                    .iter()
                    .flat_map(|room| &room.stages)
                    .map(StageRow::from)
                    .collect(),
                excursion_gain_db: taken.excursion_gain_db,
            }),
            level: situation.level.as_ref().map(level_row),
            load: situation.load.as_ref().map(|load| LoadRow {
                least_ohm: load.least.ohm,
                least_at_hz: load.least.f_hz,
                rated_ohm: load.rated_ohm,
                keeps_rating: load.keeps_rating(),
                allows_ohm: load.allows_ohm,
                least_epdr_ohm: load.least_epdr.map(|least| least.ohm),
                least_epdr_at_hz: load.least_epdr.map(|least| least.f_hz),
                boosted: load.boosted.map(|boosted| BoostedRow {
                    freq_hz: boosted.f_hz,
                    gain_db: boosted.gain_db,
                    ohm: boosted.ohm,
                    epdr_ohm: boosted.epdr_ohm,
                }),
                ease: load.ease,
            }),
            f3_hz,
            f6_hz,
            f10_hz,
            sensitivity_db: situation.low_end.as_ref().and_then(|l| l.sensitivity_db),
            distance_m: situation.distance_m,
            holds_up_deg: situation.vertical.map(|hold| hold.up.deg),
            holds_down_deg: situation.vertical.map(|hold| hold.down.deg),
            beams: situation
                .beams
                .iter()
                .map(|beam| BeamRow {
                    freq_hz: beam.f_hz,
                    left_deg: beam.left_deg,
                    right_deg: beam.right_deg,
                })
                .collect(),
        }
    }
}

fn level_row(level: &LevelBudget) -> LevelRow {
    let wanted = &level.wanted;
    let [distortion_known, compression_known] = level.tables;
    LevelRow {
        level_db: wanted.level_db,
        distance_m: wanted.distance_m,
        peaks_db: wanted.peaks_db,
        asked_average_free_field_db: wanted.asked_average_db(Law::FreeField),
        asked_average_furnished_db: wanted.asked_average_db(Law::Furnished),
        asked_peak_free_field_db: wanted.asked_peak_db(Law::FreeField),
        distortion_known,
        compression_known,
        tightest: level.worst.map(ExcessRow::from),
        beyond_tables: level.beyond_tables.map(ExcessRow::from),
        playable_db: level.playable_db,
        playable_without_highpass_db: level.playable_without_highpass_db,
        peak_v: level.peak_v,
    }
}

#[derive(Debug, Serialize)]
struct AimsDocument<'a> {
    speaker: &'a str,
    recommended_aim_deg: f64,
    aims: Vec<AimEntry>,
    not_measured_deg: &'a [f64],
}

#[derive(Debug, Serialize)]
struct AimEntry {
    aim_deg: f64,
    treble_tilt_db_per_oct: Option<f64>,
    roughness_db: f64,
    deviation_db: f64,
    reach: Option<f64>,
    r#yield: Option<f64>,
    price_db: f64,
    stages: usize,
    vanished: Vec<FindingRow>,
}

/// What `audit --aims --json` prints.
pub fn aims(speaker: &str, aims: &Aims) -> String {
    let entry = |row: &AimRow| AimEntry {
        aim_deg: row.aim_deg,
        treble_tilt_db_per_oct: row.treble_tilt_db_per_oct,
        roughness_db: row.roughness_db,
        deviation_db: row.deviation_db,
        reach: row.reach,
        r#yield: row.yield_share,
        price_db: row.price_db,
        stages: row.stages,
        vanished: row
            .vanished
            .iter()
            .filter_map(|place| aims.findings.get(*place))
            .map(FindingRow::from)
            .collect(),
    };
    to_text(&AimsDocument {
        speaker,
        recommended_aim_deg: aims.best().aim_deg,
        aims: aims.rows.iter().map(entry).collect(),
        not_measured_deg: &aims.not_measured_deg,
    })
}
