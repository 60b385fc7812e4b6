//! The device's limits as the boxes in which the solver moves.

use super::shape::Settings;
use super::task::Options;
use crate::device::{Device, HIGHEST_F0_PER_RATE, Setting, StageLimits};
use crate::filter::{Kind, Stage};
use crate::{Error, Result};

/// Largest gain of a stage, either sign, that the solver works with, dB. No device needs more;
/// it keeps powers of ten within f64.
const LARGEST_GAIN_DB: f64 = 120.0;
/// A Q outside of this is no filter of the trade but a slip of the pen.
const Q_RANGE: [f64; 2] = [1e-3, 1e3];

/// The box of one stage: its type and the bounds of its settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slot {
    /// Type.
    pub kind: Kind,
    /// Lower bounds.
    pub low: Settings,
    /// Upper bounds.
    pub high: Settings,
}

impl Slot {
    /// The settings nearest to `settings` inside the box.
    pub fn clamp(&self, settings: &Settings) -> Settings {
        std::array::from_fn(|i| settings[i].clamp(self.low[i], self.high[i]))
    }
}

/// What the solver may use of a type.
#[derive(Debug, Clone)]
struct KindLimits {
    kind: Kind,
    at_most: usize,
    /// Box for positive gains; `None` when the type cannot boost.
    boost: Option<Slot>,
    /// Box for negative gains; `None` when the type cannot cut.
    cut: Option<Slot>,
    /// Values that each setting can take, ascending; `None` where any between the limits.
    steps: [Option<Vec<f64>>; 3],
}

/// Everything that bounds the search.
#[derive(Debug, Clone)]
pub(super) struct Limits {
    kinds: Vec<KindLimits>,
    /// How many stages there may be.
    pub stages: usize,
    /// Rate in Hz.
    pub rate_hz: f64,
    /// Share of the usual search, 0 to 1.
    pub effort: f64,
    /// Stages of less gain are left out, dB.
    pub least_gain_db: f64,
}

impl Limits {
    /// The limits of `device` under `options`; an error when nothing is left to fit with.
    pub fn new(device: &Device, options: &Options) -> Result<Limits> {
        for (name, value) in [
            ("the Q that boosts may have", options.boost_q_at_most),
            ("the gain that boosts may have", options.boost_at_most_db),
            ("the Q that cuts may have", options.cut_q_at_most),
            ("the depth that cuts may have", options.cut_at_most_db),
        ] {
            if value.is_some_and(|v| !(v.is_finite() && v >= 0.0)) {
                return Err(Error::range(
                    name,
                    format!("{}", value.unwrap_or(f64::NAN)),
                    "finite and not negative",
                ));
            }
        }
        let kinds: Vec<KindLimits> = device
            .limits
            .iter()
            .filter(|limits| limits.kind.has_gain() && !options.forbid.contains(&limits.kind))
            .filter_map(|limits| KindLimits::new(limits, device, options).transpose())
            .collect::<Result<_>>()?;
        let stages = device.stages.min(options.stages.unwrap_or(usize::MAX));
        if kinds.is_empty() && stages > 0 {
            return Err(Error::call(format!(
                "device {} has no peaking or shelf stage that may be used",
                device.name
            ))
            .with_hint("allow more types, or choose another device"));
        }
        Ok(Limits {
            kinds,
            stages,
            rate_hz: device.rate_hz,
            effort: options.effort.clamp(0.0, 1.0),
            least_gain_db: options.least_gain_db,
        })
    }

    /// The types that may be used.
    pub fn kinds(&self) -> impl Iterator<Item = Kind> + '_ {
        self.kinds.iter().map(|k| k.kind)
    }

    /// The box of a stage of `kind` with this gain; `None` when there is none.
    pub fn slot(&self, kind: Kind, gain_db: f64) -> Option<Slot> {
        let limits = self.kinds.iter().find(|k| k.kind == kind)?;
        if gain_db > 0.0 {
            limits.boost
        } else {
            limits.cut
        }
    }

    /// How many stages of `kind` there may be.
    pub fn room(&self, kind: Kind) -> usize {
        self.kinds
            .iter()
            .find(|k| k.kind == kind)
            .map_or(0, |k| k.at_most)
    }

    /// Whether one more stage of `kind` may join `slots`.
    pub fn has_room(&self, kind: Kind, slots: &[Slot]) -> bool {
        slots.iter().filter(|s| s.kind == kind).count() < self.room(kind)
    }

    /// Whether any setting of any type has steps.
    pub fn has_steps(&self) -> bool {
        self.kinds
            .iter()
            .any(|k| k.steps.iter().any(Option::is_some))
    }

    /// Values of a setting (0 to 2, as in [`Settings`]) of `kind` within `slot`, ascending;
    /// `None` where any between the limits can be had.
    pub fn steps(&self, slot: &Slot, setting: usize) -> Option<Vec<f64>> {
        /// The logarithm of a value and back may move it by so much, in any unit of `Settings`.
        const ROUNDING: f64 = 1e-9;
        let limits = self.kinds.iter().find(|k| k.kind == slot.kind)?;
        let inside = slot.low[setting] - ROUNDING..=slot.high[setting] + ROUNDING;
        let values = limits.steps[setting].as_ref()?;
        Some(
            values
                .iter()
                .copied()
                .filter(|v| inside.contains(v))
                .collect(),
        )
    }

    /// Values of gain that `kind` can be set to, each within the box of its sign; `None` where
    /// any can be had.
    pub fn gain_steps(&self, kind: Kind) -> Option<Vec<f64>> {
        let limits = self.kinds.iter().find(|k| k.kind == kind)?;
        let fits = |gain_db: &f64| {
            self.slot(kind, *gain_db)
                .is_some_and(|slot| (slot.low[1]..=slot.high[1]).contains(gain_db))
        };
        Some(
            limits.steps[1]
                .as_ref()?
                .iter()
                .copied()
                .filter(fits)
                .collect(),
        )
    }

    /// The box and settings of `stage`, moved inside where it is outside; `None` when its type
    /// is not to be had.
    pub fn place(&self, stage: &Stage) -> Option<(Slot, Settings)> {
        let slot = self.slot(stage.kind, stage.gain_db)?;
        Some((slot, slot.clamp(&super::shape::settings_of(stage))))
    }
}

impl KindLimits {
    fn new(limits: &StageLimits, device: &Device, options: &Options) -> Result<Option<KindLimits>> {
        let bounds = |name: &str, setting: &Setting| -> Result<[f64; 2]> {
            let empty = matches!(setting, Setting::List(values) if values.is_empty());
            let pair = if empty {
                [f64::NAN; 2]
            } else {
                [setting.lowest(), setting.highest()]
            };
            if pair[0].is_finite() && pair[1].is_finite() && pair[0] <= pair[1] {
                return Ok(pair);
            }
            Err(Error::call(format!(
                "device {} has no usable range of {name} for {} stages",
                device.name, limits.kind
            )))
        };
        let f0_hz = bounds("f0", &limits.f0_hz)?;
        let gain_db = bounds("gain", &limits.gain_db)?;
        let q = bounds("Q", &limits.q)?;
        let top_hz = f0_hz[1].min(HIGHEST_F0_PER_RATE * device.rate_hz);
        if !(f0_hz[0] > 0.0
            && f0_hz[0] <= top_hz
            && q[1] >= Q_RANGE[0]
            && q[0] <= Q_RANGE[1]
            && q[1] > 0.0)
        {
            return Err(Error::call(format!(
                "device {} has {} stages with f0 or Q that no stage can have at {} Hz",
                device.name, limits.kind, device.rate_hz
            )));
        }
        let gain_db = gain_db.map(|g| g.clamp(-LARGEST_GAIN_DB, LARGEST_GAIN_DB));
        let q = q.map(|q| q.clamp(Q_RANGE[0], Q_RANGE[1]));
        let at_most = |limit: Option<f64>| limit.unwrap_or(f64::INFINITY);
        let boost_top_db = gain_db[1].min(at_most(options.boost_at_most_db));
        let boost_top_q = q[1].min(at_most(options.boost_q_at_most));
        let cut_low_db = gain_db[0].max(-at_most(options.cut_at_most_db));
        let cut_top_q = q[1].min(at_most(options.cut_q_at_most));
        let slot = |gain_db: [f64; 2], top_q: f64| {
            (gain_db[0] <= gain_db[1] && top_q >= q[0]).then(|| Slot {
                kind: limits.kind,
                low: [libm::log(f0_hz[0]), gain_db[0], libm::log(q[0])],
                high: [libm::log(top_hz), gain_db[1], libm::log(top_q)],
            })
        };
        let crosses = cut_low_db < 0.0 && boost_top_db > 0.0;
        let (boost, cut) = if crosses && boost_top_q == cut_top_q {
            // One box for both signs: nothing stops a stage from crossing 0 dB.
            let both = slot([cut_low_db, boost_top_db], cut_top_q);
            (both, both)
        } else {
            let boost = [gain_db[0].max(0.0), boost_top_db];
            let cut = [cut_low_db, gain_db[1].min(0.0)];
            (
                slot(boost, boost_top_q).filter(|_| boost_top_db > 0.0),
                slot(cut, cut_top_q).filter(|_| cut_low_db < 0.0),
            )
        };
        let count = limits.at_most.unwrap_or(usize::MAX);
        let usable = count > 0 && (boost.is_some() || cut.is_some());
        Ok(usable.then_some(KindLimits {
            kind: limits.kind,
            at_most: count,
            boost,
            cut,
            steps: [
                limits
                    .f0_hz
                    .values()
                    .map(|v| v.into_iter().map(libm::log).collect()),
                limits.gain_db.values(),
                limits
                    .q
                    .values()
                    .map(|v| v.into_iter().map(libm::log).collect()),
            ],
        }))
    }
}
