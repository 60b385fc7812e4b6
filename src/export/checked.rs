//! What `planish check` writes for programs: one JSON document, and a table of the curves.

use super::curves::decimals;
use super::rows::to_text;
use crate::check::after::After;
use crate::check::faults::{Fault, RateSide, Reversal};
use crate::check::{Comparison, NamedFault, Soundness};
use crate::filter_list::{FilterList, shortest};
use crate::report::words::fault as words;
use serde::Serialize;

#[derive(Debug, Serialize)]
struct CheckDocument<'a> {
    speaker: &'a str,
    rate_hz: f64,
    number: String,
    sound: bool,
    problems: Vec<String>,
    notes: Vec<String>,
    gain_db: f64,
    peak_db: f64,
    stages: Vec<StageRow>,
    grid: Option<GridRow>,
    matches: Option<bool>,
    largest_difference_db: Option<f64>,
    largest_difference_hz: Option<f64>,
    faults: Vec<FaultRow>,
    measured: Option<MeasuredRow>,
}

#[derive(Debug, Serialize)]
struct StageRow {
    r#type: crate::filter::Kind,
    f0_hz: f64,
    gain_db: Option<f64>,
    q: f64,
    pole_radius: f64,
    difference_db: Option<f64>,
    difference_hz: Option<f64>,
    node_peak_db: f64,
    inner_peak_db: f64,
}

#[derive(Debug, Serialize)]
struct GridRow {
    step: f64,
    lowest: f64,
    highest: f64,
    noise_db: Option<f64>,
}

#[derive(Debug, Serialize)]
struct MeasuredRow {
    sensible: bool,
    judged_from_hz: f64,
    judged_to_hz: f64,
    absolute: bool,
    level_db: f64,
    limit_db: f64,
    noise_db: f64,
    high_pass_hz: Option<f64>,
    low_pass_hz: Option<f64>,
    phase_left_deg: Option<f64>,
    gain_may_be_missing: bool,
}

/// A fault as it stands in JSON; what a fault does not have is left out.
#[derive(Debug, Serialize)]
struct FaultRow {
    fault: &'static str,
    explains: Option<f64>,
    left_db: Option<f64>,
    fits: bool,
    unstable: bool,
    with: Vec<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rate_hz: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    side: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    stage: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    stages: Option<Vec<usize>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    order: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    definition: Option<String>,
    what: String,
    advice: String,
}

impl From<&NamedFault> for FaultRow {
    fn from(named: &NamedFault) -> Self {
        let fault = &named.fault;
        let mut row = FaultRow {
            fault: fault.name(),
            explains: named.explains,
            left_db: named.left_db,
            fits: named.fits,
            unstable: named.unstable,
            with: named.with.iter().map(Fault::name).collect(),
            rate_hz: None,
            side: None,
            stage: None,
            stages: None,
            order: None,
            definition: None,
            what: words::fault(fault).to_string(),
            advice: words::advice(fault).to_string(),
        };
        match fault {
            Fault::WrongRate { rate_hz, side } => {
                row.rate_hz = Some(*rate_hz);
                row.side = Some(match side {
                    RateSide::Device => "device",
                    RateSide::Numbers => "numbers",
                });
            }
            Fault::StageMissing(stages) => {
                row.stage = stages.first().copied();
                row.stages = Some(stages.clone());
            }
            Fault::ReversedOrder(reversal) => {
                row.order = Some(match reversal {
                    Reversal::A => "a",
                    Reversal::B => "b",
                    Reversal::Both => "a and b",
                    Reversal::AllFive => "all",
                });
            }
            Fault::QDefinition {
                reading, shelves, ..
            } => {
                row.definition = Some(match shelves {
                    Some(shelves) => format!("{} and {}", reading.name(), shelves.name()),
                    None => reading.name().to_string(),
                });
            }
            Fault::FeedbackSign | Fault::Bypassed | Fault::GainMissing => {}
        }
        row
    }
}

/// What `check --json` prints for a list, with the measurement's verdict where there is one.
pub fn json(list: &FilterList, sound: &Soundness, compared: Option<&Comparison>) -> String {
    to_text(&CheckDocument {
        speaker: &list.speaker,
        rate_hz: list.rate_hz,
        number: list.number.to_string(),
        sound: sound.is_sound(),
        problems: sound
            .problems
            .iter()
            .map(|p| words::problem(p).to_string())
            .collect(),
        notes: sound
            .notes
            .iter()
            .map(|n| words::note(n).to_string())
            .collect(),
        gain_db: sound.gain_db,
        peak_db: sound.peak_db,
        stages: sound
            .stages
            .iter()
            .map(|check| StageRow {
                r#type: check.stage.kind,
                f0_hz: check.stage.f0_hz,
                gain_db: check.stage.kind.has_gain().then_some(check.stage.gain_db),
                q: check.stage.q,
                pole_radius: check.pole_radius,
                difference_db: check.difference.map(|d| d.0),
                difference_hz: check.difference.map(|d| d.1),
                node_peak_db: check.node_peak_db,
                inner_peak_db: check.inner_peak_db,
            })
            .collect(),
        grid: sound.grid.map(|grid| GridRow {
            step: grid.step,
            lowest: grid.lowest,
            highest: grid.highest,
            noise_db: grid.noise_db,
        }),
        matches: compared.map(|c| c.matches),
        largest_difference_db: compared.map(|c| c.largest.0.abs()),
        largest_difference_hz: compared.map(|c| c.largest.1),
        faults: compared.map_or(Vec::new(), |c| {
            c.faults.iter().map(FaultRow::from).collect()
        }),
        measured: compared.map(|c| MeasuredRow {
            sensible: c.sensible,
            judged_from_hz: c.from_hz,
            judged_to_hz: c.to_hz,
            absolute: c.absolute,
            level_db: c.interface.level_db,
            limit_db: c.limit_db,
            noise_db: c.noise_db,
            high_pass_hz: c.interface.high_pass.map(|r| r.corner_hz),
            low_pass_hz: c.interface.low_pass.map(|r| r.corner_hz),
            phase_left_deg: c.phase_left_deg,
            gain_may_be_missing: c.gain_may_be_missing,
        }),
    })
}

#[derive(Debug, Serialize)]
struct AfterDocument {
    matches: bool,
    largest_difference_db: f64,
    faults: [(); 0],
    judged_from_hz: f64,
    judged_to_hz: f64,
    level_db: f64,
    curves: Vec<AfterRow>,
}

#[derive(Debug, Serialize)]
struct AfterRow {
    curve: &'static str,
    matches: bool,
    rms_db: f64,
    largest_difference_db: f64,
    largest_difference_hz: f64,
    agrees_from_hz: Option<f64>,
    agrees_to_hz: Option<f64>,
}

/// What `check --after --json` prints.
pub fn after_json(after: &After) -> String {
    let largest = after
        .curves
        .iter()
        .map(|c| c.largest.0.abs())
        .fold(0.0, f64::max);
    to_text(&AfterDocument {
        matches: after.matches,
        largest_difference_db: largest,
        faults: [],
        judged_from_hz: after.from_hz,
        judged_to_hz: after.to_hz,
        level_db: after.level_db,
        curves: after
            .curves
            .iter()
            .map(|c| AfterRow {
                curve: c.name,
                matches: c.matches,
                rms_db: c.rms_db,
                largest_difference_db: c.largest.0.abs(),
                largest_difference_hz: c.largest.1,
                agrees_from_hz: c.agrees_hz.map(|b| b.0),
                agrees_to_hz: c.agrees_hz.map(|b| b.1),
            })
            .collect(),
    })
}

/// The curves of a comparison as a table, comma-separated, header first: what the list predicts,
/// what was measured (level and sound card taken out), their difference and the likeliest fault.
pub fn comparison_table(compared: &Comparison) -> String {
    let curves = &compared.curves;
    let mut out = String::from("freq_hz,predicted_db,measured_db,difference_db");
    if curves.fault_db.is_some() {
        out += ",fault_db";
    }
    out.push('\n');
    for (i, f_hz) in curves.freqs_hz.iter().enumerate() {
        let (predicted, measured) = (curves.predicted_db[i], curves.measured_db[i]);
        out += &shortest(*f_hz);
        for value in [predicted, measured, measured - predicted] {
            out.push(',');
            out += &decimals(value, 4);
        }
        if let Some(fault) = &curves.fault_db {
            out.push(',');
            out += &decimals(fault[i], 4);
        }
        out.push('\n');
    }
    out
}

/// Points per octave of a list's own response table.
const POINTS_PER_OCTAVE: f64 = 24.0;

/// The response of a list as a table: level and phase of the whole, and the level of each stage.
pub fn response_table(list: &FilterList) -> String {
    let bank = list.bank();
    let mut out = String::from("freq_hz,level_db,phase_deg");
    for number in 1..=bank.sections.len() {
        out += &format!(",stage_{number}_db");
    }
    out.push('\n');
    let to_hz = 20_000f64.min(0.499 * list.rate_hz);
    for f_hz in crate::curve::Grid::logarithmic(10.0, to_hz, POINTS_PER_OCTAVE).freqs_hz() {
        out += &shortest(*f_hz);
        let omega_rad = 2.0 * std::f64::consts::PI * f_hz / list.rate_hz;
        let whole = [
            bank.gain_at_db(*f_hz),
            bank.response(*f_hz).arg().to_degrees(),
        ];
        let alone = bank.sections.iter().map(|s| s.gain_db(omega_rad));
        for value in whole.into_iter().chain(alone) {
            out.push(',');
            // A notch has no level at its centre.
            out += &decimals(value.max(-1000.0), 4);
        }
        out.push('\n');
    }
    out
}
