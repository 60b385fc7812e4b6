//! A plan from its parts: what is wanted by angles, owner, room and the other unit; the stages that
//! come nearest to it; what these do. Each part hands back its own, and only here they meet.

use super::options::{EFFORT, PlanOptions};
use super::owner::Ready;
use crate::aim::Aimed;
use crate::audit::{self, Audit, Subject};
use crate::budget::Tables;
use crate::device::Device;
use crate::error::Result;
use crate::filter::{Bank, Stage};
use crate::findings::{self, Settling};
use crate::fit::{self, Fit, Wanted};
use crate::pair;
use crate::predict::{Asked, Mendable, Plan, Prediction, predict};
use crate::seats::{self, Question, Room};

/// What is planned.
pub(super) struct Case<'a> {
    /// The measurement and its target.
    pub subject: &'a Subject<'a>,
    /// What stands beside it.
    pub tables: Tables<'a>,
    /// Name of the speaker.
    pub name: &'a str,
    /// What runs the filters.
    pub device: &'a Device,
    /// What was asked for.
    pub options: &'a PlanOptions,
    /// The axis that is listened on, when it is not the speaker's own.
    pub aim: Option<&'a Aimed>,
    /// The other unit, when the measurement is that of a pair.
    pub pair: Option<&'a OtherUnit>,
}

/// The other unit of a pair, and what is planned for each unit alone.
pub(super) struct OtherUnit {
    /// Its name.
    pub name: String,
    /// How well both match.
    pub matched: pair::Matched,
    /// What of them was compared.
    pub common: pair::Common,
    /// A plan for each unit, or none.
    pub per_unit: Vec<Plan>,
}

/// Audits the case, fits the filters and predicts what they do.
///
/// # Errors
/// When the options contradict each other or the measurement, or the device cannot hold the filters.
pub(super) fn plan(case: &Case) -> Result<Plan> {
    let Case {
        subject,
        device,
        options,
        ..
    } = *case;
    let owner = Ready::new(&options.owner, case.tables, device)?;
    let from_hz = owner.lowest_hz(options.audit.from_hz);
    let audit = audit::audit(
        subject,
        &audit::Options {
            from_hz: above_transition(from_hz, options.room.as_ref()),
            ..options.audit.clone()
        },
    )?;
    let wish = owner.limited(&audit, subject, device);
    let question = options
        .room
        .as_ref()
        .map(|room| Question::new(room, &audit, &wish, from_hz, device));
    let wish = question.as_ref().map_or(wish, |q| q.wish.clone());
    let (left, stages) = owner.left_for_plan(device, options.stages)?;
    let planning = Planning {
        subject,
        audit: &audit,
        wish: &wish,
        question: question.as_ref(),
        highpass: owner.highpass(),
        left: &left,
        device,
        options,
    };
    let Planned {
        fit,
        prediction,
        mendable,
        taken_back,
    } = planning.planned(stages)?;
    let crossover = owner.crossover_taken(&audit, options, device)?;
    let (pair, wish) = match case.pair {
        None => (None, wish),
        Some(other) => {
            let (decided, wish) = other.decided(&audit, &wish, &prediction.bank);
            (Some(decided), wish)
        }
    };
    let mut situation = owner.situation(subject, &audit, &prediction, device);
    situation.aim = case.aim.map(Into::into);
    situation.pair = pair;
    // Without the level in front, as all curves after.
    let correcting = Bank {
        gain_db: 0.0,
        rate_hz: device.rate_hz,
        sections: prediction.bank.sections[owner.highpass().len()..].to_vec(),
    };
    situation.room =
        question.map(|question| question.decided(|freqs_hz| correcting.gains_db(freqs_hz)));
    let findings = findings::settle(&Settling {
        curves: subject.curves,
        target: subject.target,
        audit: &audit,
        wish: &wish,
        filters: &correcting,
        filters_level_db: prediction.eq_level_db,
    });
    Ok(Plan {
        speaker: case.name.to_string(),
        curves: subject.curves.clone(),
        trusted: subject.trusted,
        target: subject.target.clone(),
        device: device.clone(),
        mendable,
        findings,
        audit,
        wish,
        crossover,
        fit,
        prediction,
        situation,
        asked: Asked {
            stages: options.stages,
            from_hz: options.audit.from_hz,
        },
        taken_back,
        per_unit: case
            .pair
            .map_or_else(Vec::new, |pair| pair.per_unit.clone()),
    })
}

/// What stages are chosen from.
struct Planning<'a> {
    subject: &'a Subject<'a>,
    audit: &'a Audit,
    wish: &'a audit::Wish,
    question: Option<&'a Question>,
    highpass: &'a [Stage],
    /// The device without the stages that something else takes.
    left: &'a Device,
    device: &'a Device,
    options: &'a PlanOptions,
}

/// Stages and what they do.
struct Planned {
    fit: Fit,
    prediction: Prediction,
    mendable: Mendable,
    /// Stages that were taken back because with them more deviation was left than without any.
    taken_back: usize,
}

impl Planning<'_> {
    /// The stages that come nearest to the wish. A plan that leaves more deviation than there was is
    /// none: stages are taken back until it does not.
    fn planned(&self, stages: Option<usize>) -> Result<Planned> {
        let mut planned = self.with(stages)?;
        let wanted = planned.fit.stages.len();
        // What is done about the room is judged at its seats (`seats`).
        let judged_here = self.question.is_none_or(|q| q.judged.is_none());
        let mut fewer = wanted;
        while judged_here && planned.mendable.is_worse() && fewer > 0 {
            fewer -= 1;
            planned = self.with(Some(fewer))?;
        }
        planned.taken_back = wanted - planned.fit.stages.len().min(wanted);
        Ok(planned)
    }

    fn with(&self, stages: Option<usize>) -> Result<Planned> {
        let fit = self.fitted(stages)?;
        let (subject, audit) = (self.subject, self.audit);
        let prediction = predict(subject, audit, self.highpass, &fit.stages, self.device)?;
        Ok(Planned {
            mendable: Mendable::new(&audit.deviations, &self.wish.eq, &prediction.eq),
            fit,
            prediction,
            taken_back: 0,
        })
    }

    fn fitted(&self, stages: Option<usize>) -> Result<Fit> {
        let (audit, wish, options) = (self.audit, self.wish, self.options);
        let highest_hz = HIGHEST_SHARE_OF_RATE * self.left.rate_hz;
        let fit_options = fit::Options {
            stages,
            forbid: options.without.clone(),
            boost_at_most_db: Some(options.audit.boost_at_most_db),
            boost_q_at_most: Some(BOOST_Q_AT_MOST),
            // The objective is the distance of the curves from their targets (DESIGN, "Fit"), and
            // what no filter may mend counts in it: stages that only polish the wish are not spent.
            slack: Some(fit::Slack {
                unmendable_db2: audit.deviations.energy_db2(&wish.eq),
                faithful_db: FAITHFUL_DB,
            }),
            // Where a limit forbids a boost it is a cut beside it that keeps it within.
            opposed_share: (wish.eq == audit.wish.eq).then_some(OPPOSED_SHARE),
            least_gain_db: LEAST_GAIN_DB,
            effort: options.effort.unwrap_or(EFFORT),
            level_cost: LEVEL_COST,
            ..fit::Options::default()
        };
        if let Some(question) = self.question {
            let (joined, judged) = (&question.joined, question.judged.as_ref());
            return seats::fit(joined, judged, self.left, &fit_options, highest_hz);
        }
        let freqs_hz = audit.grid.freqs_hz();
        let end = freqs_hz.partition_point(|f| *f < highest_hz);
        let wanted = Wanted {
            freqs_hz: &freqs_hz[..end],
            gain_db: &wish.eq.values_db()[..end],
            weights: &audit.fit_weights[..end],
        };
        fit::fit(&wanted, self.left, &fit_options)
    }
}

impl OtherUnit {
    /// What `shared`, the filters for both, and those for each unit do to the pair, and `wish` with
    /// the differences between the units among its findings.
    fn decided(
        &self,
        audit: &Audit,
        wish: &audit::Wish,
        shared: &Bank,
    ) -> (pair::Decided, audit::Wish) {
        let own: Vec<&Bank> = self.per_unit.iter().map(|p| &p.prediction.bank).collect();
        let both = match own.as_slice() {
            [first, second] => Some([*first, *second]),
            _ => None,
        };
        let decided = pair::Decided::new(
            self.name.clone(),
            self.matched.clone(),
            audit,
            shared,
            both,
            self.common,
        );
        (
            decided,
            pair::with_differences(audit, wish, &self.matched, both),
        )
    }
}

/// Below the transition the angles have no say.
fn above_transition(from_hz: Option<f64>, room: Option<&Room>) -> Option<f64> {
    let transition_hz = room.map(|room| room.transition.hz());
    from_hz.into_iter().chain(transition_hz).reduce(f64::max)
}

/// A plan follows its wish at least this closely where the device can, dB rms: a tenth of the
/// just noticeable difference of level (1 dB, handbook figure, from memory).
const FAITHFUL_DB: f64 = 0.1;

/// What the square of a dB of common level costs in a plan, dB^2: 1 dB counts as much as a tenth of a
/// dB left at every frequency. The wish has no level of its own, so a plan that takes one away
/// everywhere only gives up sensitivity; a few tenths still let the stages balance round it.
const LEVEL_COST: f64 = 0.01;

/// A stage of less gain is not spent, dB: no one hears it (the just noticeable difference of level in a broad
/// band is about half a decibel; handbook figure, from memory).
const LEAST_GAIN_DB: f64 = 0.2;

/// A boost beside a cut has to gain more than this share of what the whole plan gains. Our own
/// judgement.
const OPPOSED_SHARE: f64 = 0.05;

/// Rows nearer to half the rate than this are not fitted: the digital response is bent there.
const HIGHEST_SHARE_OF_RATE: f64 = 0.49;

/// No boost of the plan is narrower than this Q; a narrow boost is a ring. Our own judgement.
const BOOST_Q_AT_MOST: f64 = 3.0;
