//! The JSON documents. Numbers that could not be had are `null`.

use super::owner::SituationRow;
use super::pair::{self, PairRow};
use super::room::RoomRow;
use super::rows::{FindingRow, StageRow, to_text};
use crate::average::{Average, AveragedCurves, RearWall};
use crate::device::{Device, Feedback, Setting};
use crate::filter::Kind;
use crate::fit::{Fit, Unheld};
use crate::predict::{Grade, Plan};
use crate::target::Target;
use serde::Serialize;
use std::path::PathBuf;

#[derive(Debug, Serialize)]
struct RungRow {
    stages: usize,
    rms_db: f64,
}

#[derive(Debug, Serialize)]
struct PlanDocument<'a> {
    /// Version of this document's form.
    format: u32,
    speaker: &'a str,
    target: &'a str,
    device: &'a str,
    rate_hz: f64,
    findings: Vec<FindingRow>,
    mendable_db: f64,
    r#yield: Option<f64>,
    reach: Option<f64>,
    reach_from: Option<f64>,
    reach_to: Option<f64>,
    price_db: f64,
    rating_before: Option<f64>,
    rating_after: Option<f64>,
    grade: Grade,
    deviation_before_db: f64,
    deviation_after_db: f64,
    level_db: f64,
    eq_level_db: f64,
    taken_back: usize,
    largest_demand: Option<DemandRow>,
    trusted_from_hz: Option<f64>,
    trusted_to_hz: Option<f64>,
    judged_from_hz: f64,
    judged_to_hz: f64,
    corner_hz: Option<f64>,
    averages_only: bool,
    /// Points per octave that tell something.
    points_per_octave: f64,
    stages: Vec<StageRow>,
    gain_db: f64,
    fit_rms_db: f64,
    ladder: Vec<RungRow>,
    unheld: Vec<UnheldRow>,
    worst_change: Option<WorstChangeRow>,
    situation: SituationRow,
    room: Option<RoomRow<'a>>,
    pair: Option<PairRow<'a>>,
    freq_hz: &'a [f64],
    wish_db: &'a [f64],
    shared_db: &'a [f64],
    spread_db: &'a [f64],
    filters_db: &'a [f64],
}

/// Where the amplifier is asked most, at the loudness of before.
#[derive(Debug, Serialize)]
struct DemandRow {
    freq_hz: f64,
    gain_db: f64,
    power_ratio: f64,
}

#[derive(Debug, Serialize)]
struct WorstChangeRow {
    orbit: &'static str,
    angle_deg: f64,
    roughness_before_db: f64,
    roughness_after_db: f64,
}

/// Version of the form of `plan.json`.
const PLAN_FORMAT: u32 = 2;

/// `plan.json`, also what `audit --json` prints.
pub fn plan(plan: &Plan) -> String {
    let prediction = &plan.prediction;
    to_text(&PlanDocument {
        format: PLAN_FORMAT,
        speaker: &plan.speaker,
        target: &plan.target.name,
        device: &plan.device.name,
        rate_hz: plan.device.rate_hz,
        findings: plan.findings.iter().map(FindingRow::from).collect(),
        mendable_db: plan.mendable.mendable_db(),
        r#yield: plan.mendable.yield_share,
        reach: plan.mendable.reach,
        reach_from: plan.mendable.reach_range.map(|range| range.0),
        reach_to: plan.mendable.reach_range.map(|range| range.1),
        price_db: prediction.price_db,
        rating_before: prediction.rating_before.map(|r| r.preference),
        rating_after: prediction.rating_after.map(|r| r.preference),
        grade: plan.grade(),
        deviation_before_db: plan.mendable.before_db,
        deviation_after_db: plan.mendable.after_db,
        level_db: plan.audit.level_db,
        eq_level_db: prediction.eq_level_db,
        taken_back: plan.taken_back,
        largest_demand: prediction.largest_demand().map(|demand| DemandRow {
            freq_hz: demand.f_hz,
            gain_db: demand.gain_db,
            power_ratio: demand.power_ratio(),
        }),
        trusted_from_hz: plan.trusted.from_hz,
        trusted_to_hz: plan.trusted.to_hz,
        judged_from_hz: plan.audit.judged.from_hz,
        judged_to_hz: plan.audit.judged.to_hz,
        corner_hz: plan.audit.corner_hz,
        averages_only: plan.audit.averages_only,
        points_per_octave: plan.audit.basis.points_per_octave,
        stages: plan.stages().iter().map(StageRow::from).collect(),
        gain_db: prediction.bank.gain_db,
        fit_rms_db: plan.fit.rms_db,
        ladder: ladder(&plan.fit),
        unheld: unheld(&plan.fit),
        worst_change: prediction.worst_change.map(|worst| WorstChangeRow {
            orbit: worst.direction.orbit().name(),
            angle_deg: worst.direction.angle_deg(),
            roughness_before_db: worst.before_db,
            roughness_after_db: worst.after_db,
        }),
        situation: plan.into(),
        room: plan.situation.room.as_ref().map(RoomRow::from),
        pair: pair::row(plan),
        freq_hz: plan.audit.grid.freqs_hz(),
        wish_db: plan.wish.eq.values_db(),
        shared_db: plan.audit.shared.values_db(),
        spread_db: plan.audit.spread.values_db(),
        filters_db: prediction.eq.values_db(),
    })
}

#[derive(Debug, Serialize)]
struct FitDocument<'a> {
    device: &'a str,
    rate_hz: f64,
    stages: Vec<StageRow>,
    level_db: f64,
    rms_db: f64,
    continuous_rms_db: f64,
    rounded_rms_db: Option<f64>,
    ladder: Vec<RungRow>,
    unheld: Vec<UnheldRow>,
}

/// What `fit --json` prints.
pub fn fit(fit: &Fit, device: &str, rate_hz: f64) -> String {
    to_text(&FitDocument {
        device,
        rate_hz,
        stages: fit.stages.iter().map(StageRow::from).collect(),
        level_db: fit.level_db,
        rms_db: fit.rms_db,
        continuous_rms_db: fit.continuous_rms_db,
        rounded_rms_db: fit.rounded_rms_db,
        ladder: ladder(fit),
        unheld: unheld(fit),
    })
}

fn ladder(fit: &Fit) -> Vec<RungRow> {
    fit.ladder
        .iter()
        .map(|rung| RungRow {
            stages: rung.stages,
            rms_db: rung.rms_db,
        })
        .collect()
}

/// A stage that the device's numbers do not hold, and what stands in its place.
#[derive(Debug, Serialize)]
struct UnheldRow {
    wanted: StageRow,
    error_db: Option<f64>,
    instead: Option<StageRow>,
    instead_error_db: Option<f64>,
}

impl From<&Unheld> for UnheldRow {
    fn from(unheld: &Unheld) -> Self {
        UnheldRow {
            wanted: StageRow::from(&unheld.wanted),
            error_db: unheld.error_db.is_finite().then_some(unheld.error_db),
            instead: unheld.instead.as_ref().map(StageRow::from),
            instead_error_db: unheld.instead_error_db,
        }
    }
}

fn unheld(fit: &Fit) -> Vec<UnheldRow> {
    fit.unheld.iter().map(UnheldRow::from).collect()
}

/// Something for each averaged curve, under the names of all tables.
#[derive(Debug, Serialize)]
struct ByCurve<T> {
    on_axis: T,
    listening_window: T,
    early_reflections: T,
    sound_power: T,
    early_reflections_di: T,
    sound_power_di: T,
    in_room: T,
}

impl<T> ByCurve<T> {
    /// In the order of [`AveragedCurves::named`].
    fn new(values: [T; 7]) -> Self {
        let [
            on_axis,
            listening_window,
            early_reflections,
            sound_power,
            early_reflections_di,
            sound_power_di,
            in_room,
        ] = values;
        ByCurve {
            on_axis,
            listening_window,
            early_reflections,
            sound_power,
            early_reflections_di,
            sound_power_di,
            in_room,
        }
    }
}

#[derive(Debug, Serialize)]
struct CurvesDocument<'a> {
    speaker: &'a str,
    rear_wall: RearWall,
    freq_hz: &'a [f64],
    #[serde(flatten)]
    levels_db: ByCurve<Option<&'a [f64]>>,
    completeness: ByCurve<Option<f64>>,
}

/// What `curves --json` prints: one list of levels in dB per curve, `null` for a curve that could
/// not be had, and under `completeness` the share of its directions that was measured.
pub fn curves(speaker: &str, curves: &AveragedCurves) -> String {
    let each = curves.named().map(|(_, curve)| curve);
    to_text(&CurvesDocument {
        speaker,
        rear_wall: curves.rear_wall,
        freq_hz: curves.grid.freqs_hz(),
        levels_db: ByCurve::new(each.map(|c: Option<&Average>| c.map(|c| c.levels_db.as_slice()))),
        completeness: ByCurve::new(each.map(|c| c.map(|c| c.completeness))),
    })
}

#[derive(Debug, Serialize)]
struct WrittenDocument {
    written: Vec<String>,
}

/// What a command that only writes files prints: their paths, with a mark in place of what is no
/// Unicode.
pub fn written(paths: &[PathBuf]) -> String {
    to_text(&WrittenDocument {
        written: paths.iter().map(|p| p.display().to_string()).collect(),
    })
}

#[derive(Debug, Serialize)]
struct ListDocument<'a> {
    targets: Vec<TargetRow<'a>>,
    devices: Vec<DeviceRow<'a>>,
}

#[derive(Debug, Serialize)]
struct TargetRow<'a> {
    name: &'a str,
    about: &'a str,
    reason: &'a str,
    points: Vec<PointRow>,
    in_room_slope_db_per_oct: Option<f64>,
}

#[derive(Debug, Serialize)]
struct PointRow {
    freq_hz: f64,
    level_db: f64,
}

#[derive(Debug, Serialize)]
struct DeviceRow<'a> {
    name: &'a str,
    about: &'a str,
    rate_hz: f64,
    number: String,
    feedback: &'static str,
    word_order: [&'static str; 5],
    stages: usize,
    level_step_db: f64,
    types: Vec<TypeRow<'a>>,
}

#[derive(Debug, Serialize)]
struct TypeRow<'a> {
    r#type: Kind,
    at_most: Option<usize>,
    f0_hz: SettingRow<'a>,
    gain_db: Option<SettingRow<'a>>,
    q: SettingRow<'a>,
}

/// Limits, with a step where there is one, or a list of values.
#[derive(Debug, Serialize)]
#[serde(untagged)]
enum SettingRow<'a> {
    Range {
        from: f64,
        to: f64,
        step: Option<f64>,
    },
    Values {
        values: &'a [f64],
    },
}

impl<'a> From<&'a Setting> for SettingRow<'a> {
    fn from(setting: &'a Setting) -> Self {
        match setting {
            Setting::Range { from, to } => SettingRow::Range {
                from: *from,
                to: *to,
                step: None,
            },
            Setting::Steps { from, to, step } => SettingRow::Range {
                from: *from,
                to: *to,
                step: Some(*step),
            },
            Setting::List(values) => SettingRow::Values { values },
        }
    }
}

/// What `list --json` prints: the built-in targets and devices with all their numbers.
pub fn list(targets: &[Target], devices: &[Device]) -> String {
    to_text(&ListDocument {
        targets: targets.iter().map(target_row).collect(),
        devices: devices.iter().map(device_row).collect(),
    })
}

fn target_row(target: &Target) -> TargetRow<'_> {
    TargetRow {
        name: &target.name,
        about: &target.about,
        reason: &target.reason,
        points: target
            .points
            .iter()
            .map(|point| PointRow {
                freq_hz: point.f_hz,
                level_db: point.value_db,
            })
            .collect(),
        in_room_slope_db_per_oct: target.in_room_slope_db_per_oct,
    }
}

fn device_row(device: &Device) -> DeviceRow<'_> {
    DeviceRow {
        name: &device.name,
        about: &device.about,
        rate_hz: device.rate_hz,
        number: device.number.to_string(),
        feedback: match device.feedback {
            Feedback::Subtracted => "subtracted",
            Feedback::Added => "added",
        },
        word_order: device.word_order.map(|c| c.name()),
        stages: device.stages,
        level_step_db: device.level_step_db,
        types: device
            .limits
            .iter()
            .map(|limits| TypeRow {
                r#type: limits.kind,
                at_most: limits.at_most,
                f0_hz: (&limits.f0_hz).into(),
                gain_db: limits.kind.has_gain().then(|| (&limits.gain_db).into()),
                q: (&limits.q).into(),
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;
    use crate::device::{Coefficient, Number, StageLimits};
    use serde_json::{Value, json};

    fn parsed(text: &str) -> Value {
        assert!(text.ends_with('\n'));
        serde_json::from_str(text).unwrap()
    }

    #[test]
    fn curves_hold_null_where_there_is_none_and_say_how_complete_they_are() {
        let grid = Grid::new(vec![20.0, 200.0]).unwrap();
        let window = Some(vec![1.5, -2.0]);
        let set = AveragedCurves::from_table(grid, [None, window, None, None, None, None, None]);
        let empty = json!({
            "on_axis": null, "listening_window": null, "early_reflections": null,
            "sound_power": null, "early_reflections_di": null, "sound_power_di": null,
            "in_room": null,
        });
        let mut wanted = empty.clone();
        wanted["listening_window"] = json!([1.5, -2.0]);
        wanted["speaker"] = json!("Quayside 5");
        wanted["rear_wall"] = json!("three-points");
        wanted["freq_hz"] = json!([20.0, 200.0]);
        wanted["completeness"] = empty;
        wanted["completeness"]["listening_window"] = json!(1.0);
        assert_eq!(parsed(&curves("Quayside 5", &set)), wanted);
    }

    #[test]
    fn the_list_holds_every_number_of_targets_and_devices() {
        let target = Target {
            name: "t".into(),
            about: "a".into(),
            reason: "r".into(),
            points: vec![crate::curve::At {
                f_hz: 20.0,
                value_db: 1.0,
            }],
            in_room_slope_db_per_oct: None,
        };
        let range = Setting::Range {
            from: 20.0,
            to: 20000.0,
        };
        let device = Device {
            name: "d".into(),
            about: "b".into(),
            rate_hz: 48000.0,
            number: Number::Fixed {
                integer_bits: 5,
                fraction_bits: 27,
            },
            feedback: Feedback::Added,
            word_order: Coefficient::USUAL_ORDER,
            level_step_db: 0.25,
            stages: 3,
            limits: vec![
                StageLimits {
                    kind: Kind::Peaking,
                    at_most: None,
                    f0_hz: range.clone(),
                    gain_db: Setting::Steps {
                        from: -12.0,
                        to: 6.0,
                        step: 0.5,
                    },
                    q: Setting::List(vec![0.7, 1.4]),
                },
                StageLimits {
                    kind: Kind::HighPass,
                    at_most: Some(1),
                    f0_hz: range.clone(),
                    gain_db: Setting::List(vec![0.0]),
                    q: range,
                },
            ],
        };
        let range = json!({"from": 20.0, "to": 20000.0, "step": null});
        let wanted = json!({
            "targets": [{
                "name": "t", "about": "a", "reason": "r",
                "points": [{"freq_hz": 20.0, "level_db": 1.0}],
                "in_room_slope_db_per_oct": null,
            }],
            "devices": [{
                "name": "d", "about": "b", "rate_hz": 48000.0, "number": "fixed 5.27",
                "feedback": "added", "word_order": ["b0", "b1", "b2", "a1", "a2"], "stages": 3,
                "level_step_db": 0.25,
                "types": [
                    {
                        "type": "peaking", "at_most": null, "f0_hz": range,
                        "gain_db": {"from": -12.0, "to": 6.0, "step": 0.5},
                        "q": {"values": [0.7, 1.4]},
                    },
                    {
                        "type": "highpass", "at_most": 1, "f0_hz": range, "gain_db": null,
                        "q": range,
                    },
                ],
            }],
        });
        assert_eq!(parsed(&list(&[target], &[device])), wanted);
    }

    #[test]
    fn written_files_are_a_list_of_paths() {
        let text = written(&[PathBuf::from("plan/filters.txt")]);
        assert_eq!(parsed(&text), json!({"written": ["plan/filters.txt"]}));
    }
}
