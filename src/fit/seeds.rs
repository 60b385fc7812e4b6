//! Seeds: where a further stage would help most, looked for at several widths.

use super::joint::{Candidate, Effort, refine};
use super::limits::Limits;
use super::rows::Rows;
use super::shape::{Settings, weighted_derivatives};
use crate::filter::{Kind, Stage};

/// Values of Q of the peaking templates: an octave and a half down to a tenth of an octave, in
/// octave steps; a joint refinement walks one such step with ease.
const PEAKING_QS: [f64; 5] = [0.6, 1.2, 2.5, 5.0, 10.0];
/// Q of the shelf templates: the steepest without overshoot, common practice.
const SHELF_Q: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// Templates of one width stand this far apart, as a share of their bandwidth.
const SPACING_PER_BANDWIDTH: f64 = 0.4;
/// Shelf templates stand this far apart, octaves.
const SHELF_SPACING_OCT: f64 = 0.5;
/// How far beyond the rows a stage may be seeded, octaves; its skirt is all that shows.
const BEYOND_ROWS_OCT: f64 = 0.5;
/// Gain of the templates, dB: small, so that gain enters linearly.
const TEMPLATE_GAIN_DB: f64 = 1e-3;
/// Steps of the refinement of one seed on its own.
const ALONE: Effort = Effort {
    tolerance: 1e-2,
    steps: 12,
    worth_below: f64::INFINITY,
};

/// The shape of a small stage, weighted and with the level taken out.
struct Template {
    kind: Kind,
    settings: Settings,
    /// Per dB of gain, one value per row.
    shape: Vec<f64>,
    /// Sum of the squares of `shape`.
    square: f64,
}

/// All templates for one set of rows and limits.
pub(super) struct Templates {
    all: Vec<Template>,
}

impl Templates {
    pub fn new(rows: &Rows, limits: &Limits) -> Templates {
        let mut all: Vec<Template> = Vec::new();
        let beyond = BEYOND_ROWS_OCT.exp2();
        for kind in limits.kinds() {
            let Some(slot) = limits.slot(kind, -1.0).or(limits.slot(kind, 1.0)) else {
                continue;
            };
            let qs: &[f64] = if kind == Kind::Peaking {
                &PEAKING_QS
            } else {
                &[SHELF_Q]
            };
            let low_hz = (rows.ends_hz[0] / beyond).max(slot.low[0].exp());
            let high_hz = (rows.ends_hz[1] * beyond)
                .min(slot.high[0].exp())
                .max(low_hz);
            let mut last_ln_q = f64::NAN;
            for q in qs {
                let ln_q = q.ln().clamp(slot.low[2], slot.high[2]);
                // Widths beyond the limits fall together on the limit: once is enough.
                if ln_q == last_ln_q {
                    continue;
                }
                last_ln_q = ln_q;
                // Bandwidth in octaves of a Q: 2 asinh(1/(2Q)) / ln 2 (cookbook, analog case).
                let bandwidth_oct = 2.0 * (0.5 * (-ln_q).exp()).asinh() / std::f64::consts::LN_2;
                let spacing_oct = if kind == Kind::Peaking {
                    SPACING_PER_BANDWIDTH * bandwidth_oct
                } else {
                    SHELF_SPACING_OCT
                };
                let width_oct = (high_hz / low_hz).log2();
                let steps = (width_oct / spacing_oct).ceil().max(1.0) as usize;
                for i in 0..=steps {
                    let f0_hz = low_hz * (width_oct * i as f64 / steps as f64).exp2();
                    let settings = [f0_hz.ln(), TEMPLATE_GAIN_DB, ln_q];
                    all.push(Template::new(kind, settings, rows, limits.rate_hz));
                }
            }
        }
        all.retain(|t| t.square > 0.0);
        Templates { all }
    }

    /// Up to `count` seeds for one more stage on top of `base`, best first. `left_db` is what
    /// `base` leaves, one value per row. Each seed has been refined on its own.
    pub fn seeds(
        &self,
        rows: &Rows,
        limits: &Limits,
        base: &Candidate,
        left_db: &[f64],
        count: usize,
    ) -> Vec<Candidate> {
        let level_db = rows.level_db(left_db);
        let left: Vec<f64> = left_db
            .iter()
            .zip(&rows.root_weights)
            .map(|(l, s)| s * (l - level_db))
            .collect();
        let mut scored: Vec<(f64, f64, &Template)> = self
            .all
            .iter()
            .filter(|t| limits.has_room(t.kind, &base.slots))
            .filter_map(|t| {
                let along = super::gram::dot(&t.shape, &left);
                let slot = limits.slot(t.kind, along)?;
                let gain_db = (along / t.square).clamp(slot.low[1], slot.high[1]);
                Some((gain_db * (2.0 * along - gain_db * t.square), gain_db, t))
            })
            .filter(|(saved, _, _)| *saved > 0.0)
            .collect();
        // The stable sort keeps the order of the templates among equals.
        scored.sort_by(|a, b| b.0.total_cmp(&a.0));
        let rest = rows.with_wanted(left_db.to_vec());
        let mut chosen: Vec<Candidate> = Vec::new();
        let mut taken: Vec<&Template> = Vec::new();
        for (_, gain_db, template) in scored {
            if taken.len() == count {
                break;
            }
            if taken.iter().any(|t| t.is_near(template)) {
                continue;
            }
            taken.push(template);
            let stage = Stage {
                kind: template.kind,
                f0_hz: 1.0,
                gain_db,
                q: 1.0,
            };
            let Some((slot, _)) = limits.place(&stage) else {
                continue;
            };
            let settings = slot.clamp(&[template.settings[0], gain_db, template.settings[2]]);
            let alone = Candidate {
                slots: vec![slot],
                settings: settings.to_vec(),
                cost: f64::INFINITY,
            };
            chosen.push(refine(&rest, limits.rate_hz, alone, ALONE).0);
        }
        chosen.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        chosen
    }
}

impl Template {
    fn new(kind: Kind, settings: Settings, rows: &Rows, rate_hz: f64) -> Template {
        let mut columns = vec![0.0; 3 * rows.len()];
        weighted_derivatives(kind, &settings, rate_hz, rows, &mut columns);
        let mut shape = columns[rows.len()..2 * rows.len()].to_vec();
        if rows.level_is_free {
            let mean = super::gram::dot(&shape, &rows.root_weights);
            for (value, root_weight) in shape.iter_mut().zip(&rows.root_weights) {
                *value -= mean * root_weight;
            }
        }
        let square = super::gram::dot(&shape, &shape);
        Template {
            kind,
            settings,
            shape,
            square,
        }
    }

    /// Whether two templates would lead to the same place.
    fn is_near(&self, other: &Template) -> bool {
        let widest = (-self.settings[2].min(other.settings[2])).exp();
        self.kind == other.kind
            && (self.settings[0] - other.settings[0]).abs() < 0.5 * widest
            && (self.settings[2] - other.settings[2]).abs() < 1.0
    }
}
