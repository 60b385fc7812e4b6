//! Bounded Levenberg-Marquardt as a solver for `argmin`.
//!
//! The free set is everything except what stands on a bound with its gradient pointing outward;
//! the damped normal equations of the free set are solved, the step is clamped into the box.
//! Damping after H. B. Nielsen, "Damping Parameter in Marquardt's Method", report IMM-REP-1999-05,
//! Technical University of Denmark (cited from memory): multiplied by
//! `max(1/3, 1 - (2 rho - 1)^3)` after a step that gained, by 2, 4, 8, ... after steps that did not.

use super::gram::{inner_products, inner_products_with, quadratic_form, solve_in_place};
use crate::algebra::dot;
use argmin::core::{
    ArgminError, Error, IterState, Jacobian, KV, Operator, Problem, Solver, TerminationReason,
    TerminationStatus,
};

type Vector = Vec<f64>;
/// Parameters, no gradient, the Jacobian column by column, no Hessian, residuals.
pub(super) type Walk = IterState<Vector, (), Vector, (), Vector, f64>;

/// Damping at the start, relative to the diagonal: seeds are near, but their first steps must
/// not throw them out of the valley they were meant for. Found by trial on the tuning curves.
const FIRST_DAMPING: f64 = 0.3;
/// Least damping: what keeps the normal equations solvable in double precision.
const LEAST_DAMPING: f64 = 1e-12;
/// Damping beyond which no step of any use is left.
const LAST_DAMPING: f64 = 1e12;
/// What is left of an earlier, larger diagonal after each step: the scale may fall, slowly.
const SCALE_DECAY: f64 = 0.5;
/// Smallest scale of a parameter relative to the largest, so that one without effect on any row
/// does not make the equations singular.
const LEAST_SCALE: f64 = 1e-9;
/// A walk converged when so many steps in a row gained less than the tolerance.
const SMALL_STEPS: usize = 2;
/// A walk is given up when gains like the last one, so many times over, would not reach what
/// it has to beat. A search parameter found by trial on the tuning curves.
const HOPE_STEPS: f64 = 12.0;

/// The solver: minimises the sum of squared residuals within a box.
///
/// The Jacobian may have more columns than there are parameters: one more is taken as the
/// column of a linear coefficient that the problem has solved already (variable projection,
/// Golub and Pereyra 1973) and is projected out.
pub(super) struct BoxedDescent {
    /// Lower bounds.
    pub low: Vector,
    /// Upper bounds.
    pub high: Vector,
    /// Relative gain of a step below which it counts as small.
    pub tolerance: f64,
    /// Cost that the walk has to get below to be of use.
    pub worth_below: f64,
    damping: f64,
    growth: f64,
    scale: Vector,
    small_steps: usize,
    /// Normal matrix and gradient of the present point.
    normal: Vector,
    gradient: Vector,
    end: Option<TerminationReason>,
}

impl BoxedDescent {
    pub fn new(low: Vector, high: Vector, tolerance: f64, worth_below: f64) -> BoxedDescent {
        BoxedDescent {
            scale: vec![0.0; low.len()],
            low,
            high,
            tolerance,
            worth_below,
            damping: FIRST_DAMPING,
            growth: 2.0,
            small_steps: 0,
            normal: Vec::new(),
            gradient: Vec::new(),
            end: None,
        }
    }

    /// Builds the normal equations from the columns and the residuals.
    fn take_in(&mut self, columns: &[f64], residuals: &[f64]) {
        let (count, len) = (self.low.len(), residuals.len());
        self.normal = inner_products(&columns[..count * len], len);
        self.gradient = inner_products_with(&columns[..count * len], residuals);
        if let Some(solved) = columns.chunks_exact(len).nth(count) {
            let along = inner_products_with(&columns[..count * len], solved);
            let square = dot(solved, solved);
            for (row, a) in self.normal.chunks_exact_mut(count).zip(&along) {
                for (value, b) in row.iter_mut().zip(&along) {
                    *value -= a * b / square;
                }
            }
        }
        for (i, scale) in self.scale.iter_mut().enumerate() {
            *scale = self.normal[i * count + i].max(SCALE_DECAY * *scale);
        }
    }

    /// The clamped step from `x`, and the fall of the cost that the linear model promises.
    /// `None` when the damped equations have no solution or no parameter is free.
    fn step(&self, x: &[f64]) -> Option<(Vector, f64)> {
        let count = x.len();
        let free: Vec<usize> = (0..count)
            .filter(|i| {
                let outward_low = x[*i] <= self.low[*i] && self.gradient[*i] <= 0.0;
                let outward_high = x[*i] >= self.high[*i] && self.gradient[*i] >= 0.0;
                !(outward_low || outward_high)
            })
            .collect();
        if free.is_empty() {
            return None;
        }
        let floor = LEAST_SCALE
            * free
                .iter()
                .map(|i| self.scale[*i])
                .fold(f64::MIN_POSITIVE, f64::max);
        let mut matrix = Vec::with_capacity(free.len() * free.len());
        for i in &free {
            let row = &self.normal[i * count..(i + 1) * count];
            matrix.extend(free.iter().map(|j| row[*j]));
        }
        for (k, i) in free.iter().enumerate() {
            matrix[k * free.len() + k] += self.damping * self.scale[*i].max(floor);
        }
        let mut step: Vector = free.iter().map(|i| self.gradient[*i]).collect();
        if !solve_in_place(&mut matrix, &mut step) {
            return None;
        }
        let mut to = x.to_vec();
        for (i, d) in free.iter().zip(&step) {
            to[*i] = (x[*i] + d).clamp(self.low[*i], self.high[*i]);
        }
        let moved: Vector = to.iter().zip(x).map(|(a, b)| a - b).collect();
        let bent = quadratic_form(&self.normal, &moved);
        Some((to, 2.0 * dot(&self.gradient, &moved) - bent))
    }

    fn rejected(&mut self) {
        self.damping *= self.growth;
        self.growth *= 2.0;
        if self.damping.is_nan() || self.damping > LAST_DAMPING {
            self.end = Some(TerminationReason::SolverConverged);
        }
    }

    fn accepted(&mut self, before: f64, after: f64, promised: f64) {
        let over = 2.0 * (before - after) / promised - 1.0;
        let factor = (1.0 - over * over * over).max(1.0 / 3.0);
        self.damping = (self.damping * factor).max(LEAST_DAMPING);
        self.growth = 2.0;
        let gain = before - after;
        self.small_steps = if gain < self.tolerance * before {
            self.small_steps + 1
        } else {
            0
        };
        if self.small_steps >= SMALL_STEPS {
            self.end = Some(TerminationReason::SolverConverged);
        } else if after - HOPE_STEPS * gain > self.worth_below {
            self.end = Some(TerminationReason::SolverExit(
                "no hope of being of use".into(),
            ));
        }
    }
}

fn not_initialized(text: &str) -> Error {
    ArgminError::NotInitialized { text: text.into() }.into()
}

impl<O> Solver<O, Walk> for BoxedDescent
where
    O: Operator<Param = Vector, Output = Vector> + Jacobian<Param = Vector, Jacobian = Vector>,
{
    fn name(&self) -> &str {
        "bounded Levenberg-Marquardt"
    }

    fn init(
        &mut self,
        problem: &mut Problem<O>,
        mut state: Walk,
    ) -> Result<(Walk, Option<KV>), Error> {
        let start = state
            .take_param()
            .ok_or_else(|| not_initialized("no start"))?;
        let residuals = problem.apply(&start)?;
        let columns = problem.jacobian(&start)?;
        self.take_in(&columns, &residuals);
        let cost = dot(&residuals, &residuals);
        Ok((state.param(start).residuals(residuals).cost(cost), None))
    }

    fn next_iter(
        &mut self,
        problem: &mut Problem<O>,
        mut state: Walk,
    ) -> Result<(Walk, Option<KV>), Error> {
        let here = state
            .take_param()
            .ok_or_else(|| not_initialized("no point"))?;
        let before = state.get_cost();
        let Some((there, promised)) = self.step(&here) else {
            self.rejected();
            return Ok((state.param(here).cost(before), None));
        };
        let residuals = problem.apply(&there)?;
        let after = dot(&residuals, &residuals);
        if after < before {
            self.accepted(before, after, promised);
            if self.end.is_none() {
                let columns = problem.jacobian(&there)?;
                self.take_in(&columns, &residuals);
            }
            return Ok((state.param(there).residuals(residuals).cost(after), None));
        }
        // Not even the model expects anything that numbers could show.
        if promised <= f64::EPSILON * before {
            self.end = Some(TerminationReason::SolverConverged);
        }
        self.rejected();
        Ok((state.param(here).cost(before), None))
    }

    fn terminate(&mut self, _: &Walk) -> TerminationStatus {
        match self.end.take() {
            Some(reason) => TerminationStatus::Terminated(reason),
            None => TerminationStatus::NotTerminated,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use argmin::core::{Executor, State};

    /// Rosenbrock's valley (1960) as least squares, 10 (y - x^2) and 1 - x, with a third
    /// parameter that wants to be 2; rows padded as the vector units want them.
    struct Valley;

    impl Operator for Valley {
        type Param = Vector;
        type Output = Vector;
        fn apply(&self, x: &Vector) -> Result<Vector, Error> {
            // Residuals are wanted minus response, and the columns derivatives of the response.
            let mut residuals = vec![0.0; 8];
            residuals[0] = 10.0 * (x[0] * x[0] - x[1]);
            residuals[1] = 1.0 - x[0];
            residuals[2] = 2.0 - x[2];
            Ok(residuals)
        }
    }

    impl Jacobian for Valley {
        type Param = Vector;
        type Jacobian = Vector;
        fn jacobian(&self, x: &Vector) -> Result<Vector, Error> {
            let mut columns = vec![0.0; 24];
            columns[0] = -20.0 * x[0];
            columns[1] = 1.0;
            columns[8] = 10.0;
            columns[18] = 1.0;
            Ok(columns)
        }
    }

    fn lowest(high_x: f64, start: Vector) -> (Vector, f64) {
        let solver = BoxedDescent::new(vec![-2.0; 3], vec![high_x, 3.0, 3.0], 1e-12, f64::INFINITY);
        let outcome = Executor::new(Valley, solver)
            .configure(|state: Walk| state.param(start).max_iters(200).target_cost(0.0))
            .ctrlc(false)
            .timer(false)
            .run()
            .unwrap();
        (
            outcome.state.get_best_param().unwrap().clone(),
            outcome.state.get_best_cost(),
        )
    }

    #[test]
    fn the_valley_is_walked_to_its_end() {
        let (at, cost) = lowest(2.0, vec![-1.2, 1.0, 0.0]);
        assert!(cost < 1e-20);
        assert!(
            (at[0] - 1.0).abs() < 1e-9 && (at[1] - 1.0).abs() < 1e-9 && (at[2] - 2.0).abs() < 1e-9
        );
    }

    #[test]
    fn with_a_bound_in_the_way_the_walk_ends_on_it_at_the_constrained_minimum() {
        // With x at most 1/2 the minimum is x = 1/2, y = 1/4, where 1 - x = 1/2 is left.
        let (at, cost) = lowest(0.5, vec![-1.2, 1.0, 0.0]);
        assert_eq!(at[0], 0.5);
        assert!((at[1] - 0.25).abs() < 1e-9);
        assert!((cost - 0.25).abs() < 1e-12);
    }

    #[test]
    fn a_start_on_a_bound_leaves_it_when_the_inside_is_lower() {
        let (at, cost) = lowest(2.0, vec![2.0, -2.0, 3.0]);
        assert!(cost < 1e-20 && (at[0] - 1.0).abs() < 1e-9);
    }
}
