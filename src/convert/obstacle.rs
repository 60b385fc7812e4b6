//! Why a device cannot run the stages of a list as they stand.

use crate::device::{Device, Setting};
use crate::filter::Kind;
use crate::filter_list::FilterList;

/// One reason.
#[derive(Debug, Clone, PartialEq)]
pub enum Obstacle {
    /// More stages than the device has.
    TooManyStages {
        /// Stages of the list.
        wanted: usize,
        /// Stages of the device.
        has: usize,
    },
    /// The device does not have the type.
    NoSuchType {
        /// Stage, from 1.
        stage: usize,
        /// Its type.
        kind: Kind,
    },
    /// More stages of one type than the device has.
    TooManyOfType {
        /// The type.
        kind: Kind,
        /// Stages of the list.
        wanted: usize,
        /// Stages of the device.
        has: usize,
    },
    /// A setting lies outside the device's range.
    OutsideRange {
        /// Stage, from 1.
        stage: usize,
        /// The setting with its unit.
        setting: &'static str,
        /// Its value.
        value: f64,
        /// Lowest value of the device.
        from: f64,
        /// Highest value of the device.
        to: f64,
    },
    /// A setting lies between two steps of the device.
    BetweenSteps {
        /// Stage, from 1.
        stage: usize,
        /// The setting with its unit.
        setting: &'static str,
        /// Its value.
        value: f64,
        /// The step nearest to it.
        nearest: f64,
    },
    /// The device's numbers are too coarse for a stage.
    TooCoarse {
        /// Stage, from 1.
        stage: usize,
        /// Largest error of the response with the best numbers, dB; infinite when none are stable.
        error_db: f64,
    },
    /// The device's numbers end below those of a stage, and no remedy helps.
    DoesNotFit {
        /// Stage, from 1.
        stage: usize,
        /// Its largest coefficient.
        largest: f64,
        /// The largest number of the format.
        limit: f64,
    },
}

/// A setting this near to a step, as a share of its value, stands on it: lists hold more digits
/// than knobs show.
const ON_STEP: f64 = 1e-6;

/// What keeps `device` from being set to the stages of `list`.
pub fn of_settings(list: &FilterList, device: &Device) -> Vec<Obstacle> {
    let mut found = Vec::new();
    let wanted = list.stages.len();
    if wanted > device.stages {
        found.push(Obstacle::TooManyStages {
            wanted,
            has: device.stages,
        });
    }
    for limits in &device.limits {
        let kind = limits.kind;
        let wanted = list.stages.iter().filter(|l| l.stage.kind == kind).count();
        match limits.at_most {
            Some(has) if wanted > has => {
                found.push(Obstacle::TooManyOfType { kind, wanted, has });
            }
            _ => {}
        }
    }
    for (number, listed) in (1..).zip(&list.stages) {
        let stage = &listed.stage;
        let Some(limits) = device.limits_of(stage.kind) else {
            found.push(Obstacle::NoSuchType {
                stage: number,
                kind: stage.kind,
            });
            continue;
        };
        let mut settings = vec![
            ("f0 in Hz", stage.f0_hz, &limits.f0_hz),
            ("Q", stage.q, &limits.q),
        ];
        if stage.kind.has_gain() {
            settings.insert(1, ("gain in dB", stage.gain_db, &limits.gain_db));
        }
        for (name, value, setting) in settings {
            found.extend(of_setting(number, name, value, setting));
        }
    }
    found
}

fn of_setting(
    stage: usize,
    setting: &'static str,
    value: f64,
    limits: &Setting,
) -> Option<Obstacle> {
    let slack = ON_STEP * value.abs();
    let (from, to) = (limits.lowest(), limits.highest());
    if !(from - slack..=to + slack).contains(&value) {
        return Some(Obstacle::OutsideRange {
            stage,
            setting,
            value,
            from,
            to,
        });
    }
    let nearest = limits.nearest(value);
    ((nearest - value).abs() > slack).then_some(Obstacle::BetweenSteps {
        stage,
        setting,
        value,
        nearest,
    })
}
