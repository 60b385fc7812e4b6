//! The sections about a single plan.

use super::document::{Block, Cell, Column, Look, Medium, Row, Section, Table, row};
use super::span::{Quantity, Text, code, db, exact, hz, name, number, percent, quantity, text};
use super::words::finding::{cause, decided, findings, how_sure, reason, size, to_read};
use super::words::stage::{gain, stages, unheld};
use super::words::{contradiction, situation};
use crate::audit::WORTH_SAYING_DB;
use crate::average::{AveragedCurves, RearWall};
use crate::filter::Stage;
use crate::filter_list::CAUTIONS;
use crate::findings::{Decision, Finding};
use crate::fit::{Fit, Rung};
use crate::predict::{Demand, Plan, contradictions};
use crate::response::{Orbit, Response};

/// What contradicts what was asked.
pub fn warnings(plan: &Plan) -> Vec<Text> {
    contradictions(plan)
        .iter()
        .map(|c| text!("Note: {}.", contradiction::contradiction(c)))
        .collect()
}

/// Every finding with what was decided and why; the minor ones folded away.
pub fn of_findings(plan: &Plan) -> Section {
    let section = Section::unheaded("Findings");
    let (minor, to_read): (Vec<_>, Vec<_>) = findings(plan).partition(|(_, f)| f.is_minor());
    let section = match to_read.is_empty() {
        true => section.paragraph("Nothing significant was found."),
        false => section.table(findings_table("Findings", to_read)).with_on(
            Medium::Page,
            Block::Paragraph(
                Look::Note,
                "Window and room: the measured curves over their targets at that place, before EQ. Size: the finding's own share of the window, which would have to be undone. EQ: what the filters do there. Spread: how much the size differs from angle to angle, weighted as the angles count in the room. Sure: the probability that the decision is right, counted on simulated speakers.".into(),
            ),
        ),
    };
    if minor.is_empty() {
        return section;
    }
    let count = minor.len();
    section
        .with_on(
            Medium::Terminal,
            Block::Paragraph(
                Look::Note,
                text! {
                    "{} minor {} below {} in window and room: in the report and in JSON.",
                    count, if count == 1 { "finding" } else { "findings" }, db(WORTH_SAYING_DB, 0)
                },
            ),
        )
        .with_on(
            Medium::Page,
            Block::Folded {
                summary: text! {
                    "{} minor, below {} in window and room",
                    count, db(WORTH_SAYING_DB, 0)
                },
                table: findings_table("Minor findings", minor),
            },
        )
}

fn findings_table(label: &'static str, rows: Vec<(usize, &Finding)>) -> Table {
    Table {
        label,
        look: "findings",
        columns: vec![
            Column::numbers("No.", ""),
            Column::numbers("at", ""),
            Column::words("cause"),
            Column::words("decision"),
            Column::numbers("window", "dB"),
            Column::numbers("room", "dB"),
            Column::numbers("size", "dB"),
            Column::numbers("EQ", "dB"),
            Column::numbers("Q", "").only(Medium::Page),
            Column::numbers("spread", "dB").only(Medium::Page),
            Column::numbers("sure", ""),
        ],
        rows: rows
            .into_iter()
            .map(|(number, finding)| finding_row(number, finding))
            .collect(),
    }
}

fn finding_row(number: usize, finding: &Finding) -> Row {
    let unsigned = |value: Option<f64>| value.map(|v| self::number(v, 1));
    let decision = Cell {
        decision: Some(finding.decision),
        ..decided(finding).into()
    };
    let sure = Cell {
        sure: Some(finding.sure),
        ..percent(finding.sure).into()
    };
    Row {
        reason: Some(text!("{}; {}.", reason(finding), how_sure(finding))),
        ..row![
            number,
            hz(finding.peak_hz),
            cause(finding.cause),
            decision,
            finding.measured.window_db.map(size),
            finding.measured.room_db.map(size),
            size(finding.size_db),
            size(finding.eq_db),
            unsigned(finding.q),
            unsigned(finding.spread_db),
            sure,
        ]
    }
}

/// Between which shares the true reach lies, in brackets; empty where there is no reach.
pub fn reach_range(plan: &Plan) -> Text {
    match plan.mendable.reach_range {
        Some((from, to)) => text!(" ({} to {})", percent(from), percent(to)),
        None => Text::default(),
    }
}

/// What has a line in the angle picture.
pub fn left_alone(plan: &Plan) -> Text {
    let marked = to_read(plan)
        .filter(|(_, f)| f.decision != Decision::Correct && f.q.is_some())
        .map(|(number, f)| text!("{} {} at {}", number, cause(f.cause), hz(f.peak_hz)));
    Text::joined(marked, ", ")
}

/// The stages of a plan.
pub fn filters(plan: &Plan) -> Section {
    let device = &plan.device;
    Section::unheaded("Filters")
        .with_on(
            Medium::Page,
            Block::Paragraph(
                Look::Plain,
                text! {
                    "For {}, {} of {}, at {}, numbers {}.",
                    name(&device.name), stages(plan.fit.stages.len()), device.stages,
                    exact(device.rate_hz, "Hz"), device.number
                },
            ),
        )
        .table(stage_table(
            &plan.fit.stages,
            Some(plan.prediction.bank.gain_db),
            1,
            2,
            3,
        ))
        .list(plan.fit.unheld.iter().map(unheld))
        .with_on(
            Medium::Page,
            Block::Paragraph(
                Look::Note,
                "Q as in the W3C Audio EQ Cookbook. The filter list holds the exact numbers."
                    .into(),
            ),
        )
}

/// Stages as a table, with the gain in front where it is known; so many digits behind the points of
/// f0, gain and Q.
pub fn stage_table(
    of: &[Stage],
    gain_in_front_db: Option<f64>,
    f0_digits: usize,
    gain_digits: usize,
    q_digits: usize,
) -> Table {
    let none = None::<Quantity>;
    let front = gain_in_front_db.map(|db| row![0usize, "gain in front", none, number(db, 1), none]);
    let rows = (1usize..).zip(of).map(|(place, stage)| {
        row![
            place,
            stage.kind.name(),
            number(stage.f0_hz, f0_digits),
            gain(stage, gain_digits),
            number(stage.q, q_digits),
        ]
    });
    Table {
        label: "Filters",
        look: if front.is_some() { "filters" } else { "" },
        columns: vec![
            Column::numbers("stage", ""),
            Column::words("type"),
            Column::numbers("f0", "Hz"),
            Column::numbers("gain", "dB"),
            Column::numbers("Q", ""),
        ],
        rows: front.into_iter().chain(rows).collect(),
    }
}

/// What the plan costs.
pub fn price(plan: &Plan) -> Section {
    let prediction = &plan.prediction;
    let headroom = match prediction.price_db {
        price_db if price_db > 0.0 => text! {
            "{} of headroom: so much lower must the level in front of the stages be, or full-scale signals clip.",
            db(price_db, 1)
        },
        _ => "No headroom: the stages together never boost.".into(),
    };
    let used = text! {
        "Stages: {} of {}.",
        plan.stages().len(), plan.device.stages
    };
    let demand = prediction
        .largest_demand()
        .map(|demand| amplifier(demand, plan.prediction.eq_level_db));
    let worst = match prediction.worst_change {
        Some(worst) => text! {
            "The worst served direction of the listening window is {} {}: its roughness goes from {} to {} rms ({}).",
            worst.direction.orbit().name(), exact(worst.direction.angle_deg(), "degrees"),
            number(worst.before_db, 2), db(worst.after_db, 2), db(worst.change_db(), 2).signed()
        },
        None => "Without angles it cannot be stated which direction is served worst.".into(),
    };
    let items = [headroom, used].into_iter().chain(demand).chain([worst]);
    Section::new("What it costs").list(items)
}

/// A change of level below this is none as printed, dB.
const PRINTED_LEVEL_DB: f64 = 0.05;

/// The change of level by the filters in words, `down` and `up` being its directions; `None` where it
/// is none as printed.
pub fn level_change(change_db: f64, down: &'static str, up: &'static str) -> Option<Text> {
    let way = if change_db < 0.0 { down } else { up };
    (change_db.abs() >= PRINTED_LEVEL_DB).then(|| text!("{} {}", db(change_db.abs(), 1), way))
}

/// What the plan asks of the amplifier.
fn amplifier(demand: Demand, level_change_db: f64) -> Text {
    let level = match level_change(level_change_db, "quieter", "louder") {
        None => "The filters leave the level as it was".into(),
        Some(change) => text!("The filters make the speaker {}", change),
    };
    let most = match demand.gain_db < PRINTED_LEVEL_DB {
        true => "at no frequency more than before".into(),
        false => text! {
            "most at {}: {}, {} times the power",
            hz(demand.f_hz), db(demand.gain_db, 1).signed(), number(demand.power_ratio(), 1)
        },
    };
    text! {
        "{}; turned to the loudness it had, it asks the amplifier {}. How much it can give there without distortion this measurement does not say.",
        level, most
    }
}

/// What was asked for: aim, subwoofer, level.
pub fn asked(plan: &Plan) -> Vec<Section> {
    let situation = &plan.situation;
    let aim = situation
        .aim
        .as_ref()
        .map(|aim| ("Aim", situation::aim(aim)));
    let crossover = plan.crossover.as_ref();
    let subwoofer = crossover.map(|taken| ("Subwoofer", situation::crossover(taken, plan)));
    let level = situation
        .level
        .as_ref()
        .map(|level| ("Level budget", situation::level(level)));
    let parts = [aim, subwoofer, level].into_iter().flatten();
    parts
        .map(|(heading, said)| Section::new(heading).list(said))
        .collect()
}

/// What can be said without being asked: low end and load, where to sit.
pub fn advice(plan: &Plan) -> Vec<Section> {
    let of = &plan.situation;
    let low_end = of.low_end.as_ref();
    let mut figures: Vec<Text> = low_end
        .map(|low_end| situation::low_end(low_end, plan.trusted.from_hz))
        .into_iter()
        .collect();
    match &of.load {
        Some(load) => figures.extend(situation::load(load)),
        None => figures.push(
            "The impedance was not measured, so the load for an amplifier cannot be stated.".into(),
        ),
    }
    let seat = situation::seat(plan);
    let mut sections = vec![Section::new("Low end, sensitivity and load").list(figures)];
    if !seat.is_empty() {
        sections.push(Section::new("Where to sit").list(seat));
    }
    sections
}

/// What fewer and more stages reach.
pub fn ladder(plan: &Plan) -> Section {
    let kept = plan.fit.stages.len();
    Section::new("What each further stage gains")
        .paragraph(text!("How far the best filters with so many stages stay from the wanted EQ, dB rms, and by how much the last of them brought it down. This plan uses {}.", stages(kept)))
        .table(ladder_table(&plan.fit, Some(kept)))
}

/// What so many stages leave; `kept` of them are used.
pub fn ladder_table(fit: &Fit, kept: Option<usize>) -> Table {
    let ladder = &fit.ladder;
    let most_db = ladder.iter().map(|rung| rung.rms_db).fold(0.0, f64::max);
    let gained = |place: usize, rung: &Rung| {
        let below = place.checked_sub(1)?;
        Some(number(ladder[below].rms_db - rung.rms_db, 3))
    };
    let rows = ladder.iter().enumerate().map(|(place, rung)| {
        let chosen = kept == Some(rung.stages);
        let bar = Cell {
            bar: Some(if most_db > 0.0 {
                rung.rms_db / most_db
            } else {
                0.0
            }),
            ..Cell::from(if chosen { "this plan" } else { "" })
        };
        Row {
            chosen,
            ..row![
                rung.stages,
                number(rung.rms_db, 3),
                gained(place, rung),
                bar
            ]
        }
    });
    Table {
        label: "What so many stages leave",
        look: "ladder",
        columns: vec![
            Column::numbers("stages", ""),
            Column::numbers("left", "dB"),
            Column::numbers("gained", "dB"),
            Column::words("as a bar").only(Medium::Page),
        ],
        rows: rows.collect(),
    }
}

/// The preference rating before and after.
pub fn rating(plan: &Plan) -> Section {
    let mut section = Section::new("Preference rating");
    match (plan.prediction.rating_before, plan.prediction.rating_after) {
        (Some(before), Some(after)) => {
            let rows = [
                (
                    "narrow-band deviation on axis, dB",
                    2,
                    before.nbd_on_axis_db,
                    after.nbd_on_axis_db,
                ),
                (
                    "narrow-band deviation in the room, dB",
                    2,
                    before.nbd_in_room_db,
                    after.nbd_in_room_db,
                ),
                (
                    "low-frequency extension, Hz",
                    0,
                    before.extension_hz,
                    after.extension_hz,
                ),
                (
                    "smoothness in the room, 0 to 1",
                    2,
                    before.smoothness_in_room,
                    after.smoothness_in_room,
                ),
                ("rating", 1, before.preference, after.preference),
            ];
            section = section.table(Table {
                label: "Preference rating",
                look: "",
                columns: vec![
                    Column::words("Term"),
                    Column::numbers("before", ""),
                    Column::numbers("after", ""),
                ],
                rows: rows
                    .into_iter()
                    .map(|(term, digits, a, b)| row![term, number(a, digits), number(b, digits)])
                    .collect(),
            });
            if before.extension_not_reached {
                section = section.paragraph(text!("The sound power does not fall by {} within the data, so the extension is the lowest measured frequency and the rating may be too low or too high.", db(6.0, 0)));
            }
        }
        _ => {
            section = section.paragraph(text!("There is no rating: it takes on-axis, listening window, sound power and in-room curves from {} or lower to {}.", quantity(300.0, 0, "Hz"), quantity(16.0, 0, "kHz")));
        }
    }
    section.note("Model: S. E. Olive, A Multiple Regression Model for Predicting Loudspeaker Preference Using Objective Measurements, AES preprints 6113 and 6190 (2004). It is reported, never optimised. Its limits: trained on level-matched mono listening to conventional forward-firing speakers in one kind of room; no term for distortion, maximum level or directivity as such; bass extension outweighs audible midrange faults; a flat in-room curve scores low.")
}

/// What the measurement shows and what it does not.
pub fn measurement(plan: &Plan) -> Section {
    let (curves, audit) = (&plan.curves, &plan.audit);
    let mut points = vec![
        text! {
            "Data from {} to {} at {} frequencies; judged from {} to {}.",
            hz(curves.grid.first_hz()), hz(curves.grid.last_hz()), curves.grid.len(),
            hz(audit.judged.from_hz), hz(audit.judged.to_hz)
        },
        trusted(plan),
        match audit.corner_hz {
            Some(corner_hz) => text! {
                "The listening window has fallen by {} at {}; nothing is boosted below.",
                db(6.0, 0), hz(corner_hz)
            },
            None => text! {
                "The low end does not fall by {} within the data, so the tuning is not known. Boost nothing below it.",
                db(6.0, 0)
            },
        },
    ];
    if audit.averages_only {
        points.push("Only averaged curves were at hand. That is weaker evidence: narrow dips were left alone unasked, and no spread over angles is known.".into());
    }
    if audit.basis.is_interpolated {
        points.push(text! {
            "The {} points per octave were interpolated from {}: averages over bands of that width, and nothing narrower was judged.",
            number(curves.grid.points_per_octave(), 0), number(audit.basis.points_per_octave, 0)
        });
    }
    if let Some(response) = &plan.prediction.response_after {
        points.extend([Orbit::Horizontal, Orbit::Vertical].map(|orbit| angles(response, orbit)));
    }
    points.push(text! {
        "The rear wall in the early reflections: {}",
        match curves.rear_wall {
            RearWall::ThreePoints => text!("180 and \u{b1}{}.", quantity(90.0, 0, "degrees")),
            RearWall::FullArc => text!("90 to {} on both sides.", quantity(180.0, 0, "degrees")),
        }
    });
    points.push("A response free of reflections says nothing of the room below its transition frequency, of distortion or of the highest clean level.".into());
    points.push("The curves after are predicted from the filters as the device holds them; they were not measured.".into());
    Section::new("What the measurement shows and what it does not")
        .list(points)
        .table(completeness(curves))
}

/// How many of its directions each curve is formed from.
pub fn completeness(curves: &AveragedCurves) -> Table {
    Table {
        label: "Curves",
        look: "",
        columns: vec![
            Column::words("Curve"),
            Column::numbers("of its directions measured", ""),
        ],
        rows: curves
            .named()
            .into_iter()
            .map(|(name, curve)| {
                let share = curve.map(|curve| percent(curve.completeness));
                let share = share.map_or("not available".into(), Text::from);
                row![curve_name(name), share]
            })
            .collect(),
    }
}

/// A curve by its name in tables of files, in words.
fn curve_name(name: &'static str) -> Text {
    let (name, index) = match name.strip_suffix("_di") {
        Some(name) => (name, " directivity index"),
        None => (name, ""),
    };
    text!("{}{}", Text::joined(name.split('_'), " "), index)
}

fn trusted(plan: &Plan) -> Text {
    let stated = match (plan.trusted.from_hz, plan.trusted.to_hz) {
        (None, None) => {
            return "The measurement states no range in which it is to be trusted; all of it was."
                .into();
        }
        (Some(from_hz), None) => text!("from {}", hz(from_hz)),
        (None, Some(to_hz)) => text!("up to {}", hz(to_hz)),
        (Some(from_hz), Some(to_hz)) => text!("from {} to {}", hz(from_hz), hz(to_hz)),
    };
    text! {
        "Trusted, as the measurement states, {}; nothing beyond was judged.",
        stated
    }
}

fn angles(response: &Response, orbit: Orbit) -> Text {
    let on_orbit = || {
        response
            .members()
            .iter()
            .filter(|m| m.direction.orbit() == orbit)
    };
    if !response.has_orbit(orbit) {
        return text!("No {} angles off the axis were measured.", orbit.name());
    }
    let mirrored = on_orbit().filter(|m| m.mirrored).count();
    text! {
        "{} {}{}",
        on_orbit().count() - mirrored, orbit.name(),
        match mirrored {
            0 => " angles, all measured.".into(),
            n => text!(" angles measured, {} more mirrored from the other side.", n),
        }
    }
}

/// Where the numbers come from, so that the plan can be repeated.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Provenance {
    /// Version of this program.
    pub version: String,
    /// The options as typed.
    pub command: String,
    /// Input files, each with its hash.
    pub inputs: Vec<(String, String)>,
    /// What was understood of the measurement, line by line.
    pub understood: String,
}

/// Program and command.
pub fn program(version: &str, command: &str) -> Vec<(&'static str, Text)> {
    vec![
        ("Program", text!("planish {}", name(version))),
        ("Command", code(command)),
    ]
}

/// How the plan can be repeated.
pub fn provenance(plan: &Plan, from: &Provenance) -> Section {
    let about = |called: &str, about: &str| match about.is_empty() {
        true => name(called).into(),
        false => text!("{}: {}", name(called), name(about)),
    };
    let mut facts = program(&from.version, &from.command);
    facts.push(("Target", about(&plan.target.name, &plan.target.about)));
    facts.push(("Device", about(&plan.device.name, &plan.device.about)));
    let mut section = Section::new("How to repeat this").with(Block::Facts(facts));
    if !from.inputs.is_empty() {
        let rows = from
            .inputs
            .iter()
            .map(|(file, hash)| row![name(file), code(hash)]);
        section = section.table(Table {
            label: "Input files",
            look: "",
            columns: vec![Column::words("Input file"), Column::words("hash")],
            rows: rows.collect(),
        });
    }
    if !from.understood.trim().is_empty() {
        section = section.with(Block::Details {
            summary: "What was understood of the measurement",
            lines: from
                .understood
                .lines()
                .map(|line| name(line).into())
                .collect(),
        });
    }
    section
}

/// The usual cautions: points on a page, one paragraph on the terminal.
pub fn cautions() -> Section {
    let points = CAUTIONS
        .iter()
        .map(|caution| Text::from(*caution).into())
        .collect();
    Section::unheaded("Cautions")
        .with_on(
            Medium::Terminal,
            Block::Paragraph(Look::Plain, Text::joined(CAUTIONS, " ")),
        )
        .with_on(
            Medium::Page,
            Block::List {
                numbered: false,
                items: points,
            },
        )
}
