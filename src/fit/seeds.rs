//! Seeds: where a further stage would help most, looked for at several widths.
//!
//! A stage of small gain enters linearly, so each of a fixed set of templates (type, place,
//! width) has a best gain and a saving. Two ways of counting it: with the other stages held
//! still, and with the others giving way as far as their derivatives allow. The second finds
//! pairs that only work together (a wide boost with a narrow cut in it), the first does not.

use super::gram::{
    cross_products, factor_in_place, inner_products, inner_products_with, solve_lower_in_place,
};
use super::joint::{Candidate, Effort, refine};
use super::limits::Limits;
use super::rows::Rows;
use super::shape::{Settings, weighted_derivatives};
use crate::algebra::dot;
use crate::filter::Kind;

/// Values of Q of the peaking templates: two octaves down to a tenth of an octave, in octave
/// steps; a joint refinement walks one such step with ease.
const PEAKING_QS: [f64; 5] = [0.6, 1.2, 2.5, 5.0, 10.0];
/// Q of the shelf templates: the steepest without overshoot, common practice.
const SHELF_Q: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// Templates of one width stand this far apart, as a share of their bandwidth.
const SPACING_PER_BANDWIDTH: f64 = 0.6;
/// Shelf templates stand this far apart, octaves.
const SHELF_SPACING_OCT: f64 = 0.5;
/// How far beyond the rows a stage may be seeded, octaves; its skirt is all that shows.
const BEYOND_ROWS_OCT: f64 = 0.5;
/// Gain of the templates, dB: small, so that gain enters linearly.
const TEMPLATE_GAIN_DB: f64 = 1e-3;
/// Damping of the other stages when they give way, relative to their diagonal: the derivatives
/// hold for small moves only. Found by trial on the tuning curves.
const GIVE_WAY_DAMPING: f64 = 1e-2;
/// Least share of a template's square that must be left when the others give way; below, it is
/// something that they can do themselves.
const LEAST_OWN_SHARE: f64 = 1e-3;
/// Steps of the refinement of one seed on its own.
const ALONE: Effort = Effort {
    tolerance: 1e-2,
    steps: 12,
    worth_below: f64::INFINITY,
};

/// What the other stages do while the saving of a seed is counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Others {
    /// They stand still; the seed is refined on its own.
    StandStill,
    /// They give way within their derivatives.
    GiveWay,
}

/// The shape of a small stage, weighted and with the level taken out.
struct Template {
    kind: Kind,
    settings: Settings,
    /// Sum of the squares of its shape.
    square: f64,
}

/// A template with the gain that saves most.
#[derive(Clone, Copy)]
struct Scored<'a> {
    template: &'a Template,
    gain_db: f64,
    /// By how much it lowers the cost, dB^2.
    saving: f64,
}

/// The templates are dealt out in turn to so many parts, and each look sees one of them: that
/// is as many times cheaper, and brings the variety that a search by exchanges lives on. Found
/// by trial on the tuning curves.
pub(super) const PARTS: usize = 4;

/// One part of the templates for one set of rows and limits.
pub(super) struct Templates {
    all: Vec<Template>,
    /// Their shapes one after the other, per dB of gain, one value per row; at the end flat
    /// ones that make their number a multiple of three.
    shapes: Vec<f64>,
}

impl Templates {
    /// Part `part` of [`PARTS`].
    pub fn new(rows: &Rows, limits: &Limits, part: usize) -> Templates {
        let mut templates = Templates {
            all: Vec::new(),
            shapes: Vec::new(),
        };
        let beyond = libm::exp2(BEYOND_ROWS_OCT);
        for kind in limits.kinds() {
            let Some(slot) = limits.slot(kind, -1.0).or(limits.slot(kind, 1.0)) else {
                continue;
            };
            let qs: &[f64] = if kind == Kind::Peaking {
                &PEAKING_QS
            } else {
                &[SHELF_Q]
            };
            let (lowest_hz, highest_hz) = (libm::exp(slot.low[0]), libm::exp(slot.high[0]));
            let low_hz = (rows.ends_hz[0] / beyond).clamp(lowest_hz, highest_hz);
            let high_hz = (rows.ends_hz[1] * beyond).clamp(low_hz, highest_hz);
            let width_oct = libm::log2(high_hz / low_hz);
            let mut last_ln_q = f64::NAN;
            for q in qs {
                let ln_q = libm::log(*q).clamp(slot.low[2], slot.high[2]);
                // Widths beyond the limits fall together on the limit: once is enough.
                if ln_q == last_ln_q {
                    continue;
                }
                last_ln_q = ln_q;
                // Bandwidth in octaves of a Q: 2 asinh(1/(2Q)) / ln 2 (cookbook, analog case).
                let bandwidth_oct =
                    2.0 * libm::asinh(0.5 * libm::exp(-ln_q)) / std::f64::consts::LN_2;
                let spacing_oct = match kind {
                    Kind::Peaking => SPACING_PER_BANDWIDTH * bandwidth_oct,
                    _ => SHELF_SPACING_OCT,
                };
                let steps = (width_oct / spacing_oct).ceil().clamp(1.0, 1000.0) as usize;
                for i in (part..=steps).step_by(PARTS) {
                    let f0_hz = low_hz * libm::exp2(width_oct * i as f64 / steps as f64);
                    templates.add(
                        kind,
                        [libm::log(f0_hz), TEMPLATE_GAIN_DB, ln_q],
                        rows,
                        limits.rate_hz,
                    );
                }
            }
        }
        let flat = templates.all.len().next_multiple_of(3) - templates.all.len();
        templates
            .shapes
            .extend(std::iter::repeat_n(0.0, flat * rows.len()));
        templates
    }

    fn add(&mut self, kind: Kind, settings: Settings, rows: &Rows, rate_hz: f64) {
        let mut columns = vec![0.0; 3 * rows.len()];
        weighted_derivatives(kind, &settings, rate_hz, rows, &mut columns);
        let shape = &mut columns[rows.len()..2 * rows.len()];
        rows.take_level_out(shape);
        let square = dot(shape, shape);
        if square > 0.0 {
            self.all.push(Template {
                kind,
                settings,
                square,
            });
            self.shapes.extend_from_slice(shape);
        }
    }

    /// The seeds of the given `ranks` (0 is best, ranks count places that differ) for one more
    /// stage on top of `base`, which leaves `left_db`, one value per row. Fewer where there are
    /// not so many.
    pub fn seeds(
        &self,
        rows: &Rows,
        limits: &Limits,
        base: &Candidate,
        left_db: &[f64],
        others: Others,
        ranks: std::ops::Range<usize>,
    ) -> Vec<Candidate> {
        let mut left: Vec<f64> = left_db
            .iter()
            .zip(&rows.root_weights)
            .map(|(l, s)| s * l)
            .collect();
        rows.take_level_out(&mut left);
        let mut scored = self.scored(rows, limits, base, &left, others);
        let rest = rows.with_wanted(left_db.to_vec());
        let mut chosen: Vec<Candidate> = Vec::new();
        for rank in 0..ranks.end {
            // The first of equals is taken, so that the order of the templates decides.
            let mut top: Option<Scored> = None;
            for one in &scored {
                if top.is_none_or(|t| one.saving > t.saving) {
                    top = Some(*one);
                }
            }
            let Some(Scored {
                template, gain_db, ..
            }) = top
            else {
                break;
            };
            scored.retain(|s| !template.is_near(s.template));
            let Some(slot) = limits.slot(template.kind, gain_db) else {
                continue;
            };
            if !ranks.contains(&rank) {
                continue;
            }
            let settings = slot.clamp(&[template.settings[0], gain_db, template.settings[2]]);
            let seed = Candidate {
                slots: vec![slot],
                settings: settings.to_vec(),
                cost: f64::INFINITY,
            };
            chosen.push(match others {
                Others::StandStill => refine(&rest, limits.rate_hz, seed, ALONE).0,
                Others::GiveWay => seed,
            });
        }
        chosen
    }

    /// All templates that save something, with their gains.
    fn scored(
        &self,
        rows: &Rows,
        limits: &Limits,
        base: &Candidate,
        left: &[f64],
        others: Others,
    ) -> Vec<Scored<'_>> {
        let mut along = inner_products_with(&self.shapes, left);
        let mut square: Vec<f64> = self.all.iter().map(|t| t.square).collect();
        if others == Others::GiveWay {
            self.let_give_way(rows, limits, base, left, &mut along, &mut square);
        }
        self.all
            .iter()
            .zip(along.iter().zip(&square))
            .filter(|(t, _)| limits.has_room(t.kind, &base.slots))
            .filter_map(|(template, (along, square))| {
                let square = square.max(LEAST_OWN_SHARE * template.square);
                let slot = limits.slot(template.kind, *along)?;
                let gain_db = (along / square).clamp(slot.low[1], slot.high[1]);
                let saving = gain_db * (2.0 * along - gain_db * square);
                (saving > 0.0).then_some(Scored {
                    template,
                    gain_db,
                    saving,
                })
            })
            .collect()
    }

    /// Takes out of the templates' inner products with what is left, and out of their squares,
    /// what the stages of `base` can make up for.
    fn let_give_way(
        &self,
        rows: &Rows,
        limits: &Limits,
        base: &Candidate,
        left: &[f64],
        along: &mut [f64],
        square: &mut [f64],
    ) {
        let (n, len) = (base.settings.len(), rows.len());
        if n == 0 {
            return;
        }
        let mut columns = vec![0.0; n * len];
        for (i, three) in columns.chunks_exact_mut(3 * len).enumerate() {
            weighted_derivatives(
                base.slots[i].kind,
                &base.stage(i),
                limits.rate_hz,
                rows,
                three,
            );
        }
        // A setting on its bound gives no way.
        for (i, column) in columns.chunks_exact_mut(len).enumerate() {
            let (slot, value) = (&base.slots[i / 3], base.settings[i]);
            if value <= slot.low[i % 3] || value >= slot.high[i % 3] {
                column.fill(0.0);
            } else {
                rows.take_level_out(column);
            }
        }
        let mut factor = inner_products(&columns, len);
        let largest = (0..n)
            .map(|i| factor[i * n + i])
            .fold(f64::MIN_POSITIVE, f64::max);
        for i in 0..n {
            factor[i * n + i] += GIVE_WAY_DAMPING * factor[i * n + i] + f64::EPSILON * largest;
        }
        if !factor_in_place(&mut factor, n) {
            return;
        }
        let mut gradient = inner_products_with(&columns, left);
        solve_lower_in_place(&factor, n, &mut gradient);
        let mut shared = cross_products(&columns, &self.shapes, len);
        solve_lower_in_place(&factor, n, &mut shared);
        let wide = shared.len() / n;
        for (row, g) in shared.chunks_exact(wide).zip(&gradient) {
            for ((c, a), s) in row.iter().zip(along.iter_mut()).zip(square.iter_mut()) {
                *a -= c * g;
                *s -= c * c;
            }
        }
    }
}

impl Template {
    /// Whether two templates would lead to the same place.
    fn is_near(&self, other: &Template) -> bool {
        let widest = libm::exp(-self.settings[2].min(other.settings[2]));
        self.kind == other.kind
            && (self.settings[0] - other.settings[0]).abs() < 0.5 * widest
            && (self.settings[2] - other.settings[2]).abs() < 1.0
    }
}
