//! Device profiles from TOML: the built-in ones and files of the user's own.
//!
//! A file holds `about`, `rate_hz`, `number` (`f64`, `f32`, `fixed I.F` or `none`), `stages`
//! and one section per type of stage it has, named as the type. A device with coefficients also
//! says `feedback` (`subtracted`: y0 = ... - a1*y1 - a2*y2, or `added`) and, if it is not the
//! usual one, `word_order`. In a section, `f0_hz`, `gain_db` (for types that have one) and `q`
//! hold either `{ from, to }`, `{ from, to, step }` or `{ list }`; `at_most` limits how many
//! stages may be of the type. The device is named after its file.

use super::disk::DiskFolder;
use super::document::{Document, Section, Value};
use super::input::Input;
use super::named;
use super::source::Source;
use crate::device::{Coefficient, Device, Feedback, LEVEL_STEP_DB, Number, Setting, StageLimits};
use crate::error::Result;
use crate::filter::Kind;

/// The built-in devices: name and text of the file.
pub fn builtin_devices() -> &'static [(&'static str, &'static str)] {
    &[
        (
            "open-48k",
            include_str!("../../targets/devices/open-48k.toml"),
        ),
        (
            "fixed-96k",
            include_str!("../../targets/devices/fixed-96k.toml"),
        ),
        (
            "five-stage",
            include_str!("../../targets/devices/five-stage.toml"),
        ),
        (
            "open-96k",
            include_str!("../../targets/devices/open-96k.toml"),
        ),
        (
            "float-44k",
            include_str!("../../targets/devices/float-44k.toml"),
        ),
        (
            "float-192k",
            include_str!("../../targets/devices/float-192k.toml"),
        ),
        (
            "fixed-48k",
            include_str!("../../targets/devices/fixed-48k.toml"),
        ),
        (
            "fixed-88k",
            include_str!("../../targets/devices/fixed-88k.toml"),
        ),
        (
            "knob-receiver",
            include_str!("../../targets/devices/knob-receiver.toml"),
        ),
    ]
}

/// No box has more stages than this.
const MOST_STAGES: usize = 100;

/// The most values a stepped setting may have; more is as good as none.
const MOST_VALUES: f64 = 100_000.0;

/// Rates of audio hardware, Hz.
const RATES_HZ: std::ops::RangeInclusive<f64> = 8_000.0..=1_000_000.0;

/// No gain setting is farther from 0 dB than this.
const GAIN_LIMIT_DB: f64 = 60.0;

/// No Q setting is higher than this.
const Q_LIMIT: f64 = 200.0;

/// A device by name or by the path of its file on the disk.
///
/// # Errors
/// When there is none of that name, or the file is not sound.
pub fn device(name_or_path: &str) -> Result<Device> {
    device_from(&DiskFolder::here(), name_or_path)
}

/// A device by its name, built in or that of a file of `input`.
///
/// # Errors
/// As [`device`].
pub fn device_from(input: &dyn Input, name: &str) -> Result<Device> {
    let source = named::source(input, "device", name, builtin_devices())?;
    parse(&source)
}

/// All built-in devices.
///
/// # Errors
/// None as long as the built-in files are sound, which a test holds.
pub fn all_devices() -> Result<Vec<Device>> {
    builtin_devices()
        .iter()
        .map(|(name, text)| parse(&named::of_built_in(name, text)?))
        .collect()
}

fn parse(source: &Source) -> Result<Device> {
    let document = Document::parse(source)?;
    let root = document.root();
    let kinds = Kind::ALL.map(Kind::name);
    let mut known = vec![
        "about",
        "rate_hz",
        "number",
        "feedback",
        "word_order",
        "stages",
        "level_step_db",
    ];
    known.extend(kinds);
    root.only(&known)?;
    let about = root.needed_text("about", "about = \"one sentence\"")?.value;
    let rate = root.needed_number("rate_hz", "rate_hz = 48000")?;
    if !RATES_HZ.contains(&rate.value) {
        return Err(root.wrong(
            rate.at,
            rate.value.to_string(),
            "a rate between 8000 and 1000000 Hz",
        ));
    }
    let number_text = root.needed_text("number", "number = \"f64\"")?;
    let number = Number::from_name(&number_text.value).ok_or_else(|| {
        root.wrong(
            number_text.at,
            format!("{:?}", number_text.value),
            "\"f64\", \"f32\", \"fixed I.F\" or \"none\"",
        )
    })?;
    let feedback = feedback(&root, number)?;
    let stages_value = root
        .get("stages")
        .ok_or_else(|| root.incomplete("no stages", "stages = 10"))?;
    let stages = stages_value.count()?;
    if stages > MOST_STAGES {
        return Err(stages_value.wrong("at most 100 stages"));
    }
    let mut limits = Vec::new();
    for kind in Kind::ALL {
        if let Some(section) = root.section(kind.name())? {
            limits.push(stage_limits(&section, kind, rate.value, stages)?);
        }
    }
    if limits.is_empty() {
        return Err(root.incomplete(
            "no type of stage",
            &format!("a section [{}]", kinds.join("], [")),
        ));
    }
    Ok(Device {
        name: named::stem(&source.file, "device"),
        about,
        rate_hz: rate.value,
        number,
        feedback,
        word_order: word_order(&root)?,
        stages,
        level_step_db: level_step_db(&root)?,
        limits,
    })
}

/// The largest step of the level in front that a box has, dB: what is coarser was mistyped.
const MOST_LEVEL_STEP_DB: f64 = 6.0;

fn level_step_db(root: &Section) -> Result<f64> {
    match root.positive("level_step_db", "dB")? {
        None => Ok(LEVEL_STEP_DB),
        Some(step) if step.value <= MOST_LEVEL_STEP_DB => Ok(step.value),
        Some(step) => Err(root.wrong(
            step.at,
            step.value.to_string(),
            "steps of the level in front of at most 6 dB",
        )),
    }
}

fn feedback(root: &Section, number: Number) -> Result<Feedback> {
    let example = "feedback = \"subtracted\" or \"added\"";
    match root.text("feedback")? {
        Some(text) if text.value == "subtracted" => Ok(Feedback::Subtracted),
        Some(text) if text.value == "added" => Ok(Feedback::Added),
        Some(text) => Err(root.wrong(text.at, format!("{:?}", text.value), example)),
        // Knobs have no feedback numbers; the sign is that of the prediction.
        None if number == Number::None => Ok(Feedback::Subtracted),
        None => Err(root.incomplete("no feedback", example)),
    }
}

fn word_order(root: &Section) -> Result<[Coefficient; 5]> {
    let Some(value) = root.get("word_order") else {
        return Ok(Coefficient::USUAL_ORDER);
    };
    let expected = "each of \"b0\", \"b1\", \"b2\", \"a1\", \"a2\" once";
    let mut order = Vec::new();
    for word in value.list()? {
        let text = word.text()?.value;
        let coefficient = Coefficient::USUAL_ORDER
            .into_iter()
            .find(|c| c.name() == text && !order.contains(c))
            .ok_or_else(|| word.wrong(expected))?;
        order.push(coefficient);
    }
    order.try_into().map_err(|_| value.wrong(expected))
}

fn stage_limits(section: &Section, kind: Kind, rate_hz: f64, stages: usize) -> Result<StageLimits> {
    if kind.has_gain() {
        section.only(&["at_most", "f0_hz", "gain_db", "q"])?;
    } else {
        section.only(&["at_most", "f0_hz", "q"])?;
    }
    let at_most = match section.get("at_most") {
        None => None,
        Some(value) => {
            let count = value.count()?;
            if count > stages {
                return Err(value.wrong(&format!("at most the {stages} stages of the device")));
            }
            Some(count)
        }
    };
    let within = |key: &'static str, low: f64, high: f64, words: &str| -> Result<Setting> {
        let value = section.get(key).ok_or_else(|| {
            section.incomplete(
                format!("no {key} in [{}]", kind.name()),
                &format!("{key} = {{ from = ..., to = ... }}"),
            )
        })?;
        let setting = setting(&value, key)?;
        if setting.lowest() < low || setting.highest() > high {
            return Err(section.wrong(
                value.at(),
                format!("{} to {}", setting.lowest(), setting.highest()),
                words,
            ));
        }
        Ok(setting)
    };
    Ok(StageLimits {
        kind,
        at_most,
        f0_hz: within(
            "f0_hz",
            1e-3,
            // At half the rate the formulas of the cookbook have no width left.
            0.4999 * rate_hz,
            "frequencies above 0 Hz and below half the rate",
        )?,
        gain_db: if kind.has_gain() {
            within(
                "gain_db",
                -GAIN_LIMIT_DB,
                GAIN_LIMIT_DB,
                "gains between -60 and 60 dB",
            )?
        } else {
            Setting::List(vec![0.0])
        },
        q: within("q", 1e-3, Q_LIMIT, "a Q between 0.001 and 200")?,
    })
}

fn setting<'a>(value: &Value<'a>, key: &'a str) -> Result<Setting> {
    let section = value.section(key)?;
    section.only(&["from", "to", "step", "list"])?;
    if let Some(list) = section.get("list") {
        if section.entries().len() > 1 {
            return Err(section.incomplete(
                "a list beside other keys",
                "{ list = [...] } or { from = ..., to = ... }",
            ));
        }
        let mut values: Vec<f64> = Vec::new();
        for item in list.list()? {
            let number = item.number()?.value;
            if values.last().is_some_and(|last| *last >= number) {
                return Err(item.wrong("numbers in ascending order"));
            }
            values.push(number);
        }
        return if values.is_empty() {
            Err(list.wrong("at least one number"))
        } else {
            Ok(Setting::List(values))
        };
    }
    let from = section.needed_number("from", "from = ...")?.value;
    let to = section.needed_number("to", "to = ...")?;
    if to.value < from {
        return Err(section.wrong(
            to.at,
            to.value.to_string(),
            &format!("a number not below from, {from}"),
        ));
    }
    match section.number("step")? {
        None => Ok(Setting::Range { from, to: to.value }),
        Some(step) if step.value > 0.0 && (to.value - from) / step.value <= MOST_VALUES => {
            Ok(Setting::Steps {
                from,
                to: to.value,
                step: step.value,
            })
        }
        Some(step) => Err(section.wrong(
            step.at,
            step.value.to_string(),
            "a step above 0 that makes at most 100000 values",
        )),
    }
}
