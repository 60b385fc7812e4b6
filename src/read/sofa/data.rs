//! The responses in a file: spectra or impulse responses, and which variable says what.

use super::container::{Container, Variable};
use crate::curve::Grid;
use crate::error::Result;
use crate::read::gated::{self, Impulse, Wanted};
use crate::read::phase;
use crate::read::understood::Note;
use crate::units::amplitude_to_db;

/// Level and, where it is there, phase of one response.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub levels_db: Vec<f64>,
    pub phase_deg: Option<Vec<f64>>,
}

/// Responses that were asked for.
pub(super) struct Rows {
    pub grid: Grid,
    /// In the order asked for.
    pub rows: Vec<Row>,
    /// From the gate, where the responses were impulses.
    pub trusted_from_hz: Option<f64>,
}

/// The data of a file, by measurement and receiver.
pub(super) enum Data {
    Spectra(Spectra),
    Impulses(Impulses),
}

/// Complex spectra.
pub(super) struct Spectra {
    real: Variable,
    imaginary: Variable,
    grid: Grid,
    /// Where each frequency of the grid stands in the file.
    order: Vec<usize>,
}

/// Impulse responses.
pub(super) struct Impulses {
    responses: Variable,
    rate_hz: f64,
    delay: Option<Variable>,
}

/// Amplitudes are not told below this, relative to the largest: -200 dB, more than any
/// converter holds, so that an exact null has a finite level.
const LEAST_AMPLITUDE: f64 = 1e-10;

/// Frequencies beyond any sound, Hz.
const HIGHEST_HZ: f64 = 1e7;

/// Sampling rates that are believed, Hz.
const RATES_HZ: std::ops::RangeInclusive<f64> = 1000.0..=10e6;

const RESPONSE: [&str; 3] = ["M", "R", "N"];

impl Data {
    /// The data of a file of the given DataType.
    pub fn read(container: &Container, spectra: bool, notes: &mut Vec<Note>) -> Result<Data> {
        if spectra {
            Spectra::read(container, notes).map(Data::Spectra)
        } else {
            Impulses::read(container).map(Data::Impulses)
        }
    }

    /// How many measurements and receivers there are.
    pub fn sizes(&self) -> (usize, usize) {
        let variable = match self {
            Data::Spectra(spectra) => &spectra.real,
            Data::Impulses(impulses) => &impulses.responses,
        };
        (variable.size("M"), variable.size("R"))
    }

    /// The responses of the given measurements and receivers; what was done is added to `notes`.
    pub fn rows(
        &self,
        container: &Container,
        wanted: &[(usize, usize)],
        notes: &mut Vec<Note>,
    ) -> Result<Rows> {
        match self {
            Data::Spectra(spectra) => spectra.rows(container, wanted, notes),
            Data::Impulses(impulses) => impulses.rows(container, wanted, notes),
        }
    }
}

/// Where a number stands, from 1, as a person counts.
fn place(name: &str, m: usize, r: usize, n: usize) -> String {
    format!(
        "{name}, measurement {}, receiver {}, value {}",
        m + 1,
        r + 1,
        n + 1
    )
}

/// 1000 dB, as in tables; infinite and not-a-number are no smaller than that.
const LARGEST: f64 = 1e50;

fn finite(container: &Container, variable: &Variable, m: usize, r: usize, n: usize) -> Result<f64> {
    match variable.value(&[("M", m), ("R", r), ("N", n)]) {
        Some(value) if value.abs() <= LARGEST => Ok(value),
        found => Err(container.wrong(
            format!(
                "{} in {}",
                found.map_or("nothing".to_string(), |v| v.to_string()),
                place(variable.name, m, r, n)
            ),
            if found.is_some_and(f64::is_finite) {
                "a number between -1e50 and 1e50"
            } else {
                "a finite number"
            },
        )),
    }
}

impl Spectra {
    fn read(container: &Container, notes: &mut Vec<Note>) -> Result<Spectra> {
        let real = container.needed("Data.Real")?;
        let imaginary = container.needed("Data.Imag")?;
        real.only(container, &RESPONSE)?;
        for name in RESPONSE {
            if real.size(name) != imaginary.size(name) {
                return Err(container.wrong(
                    format!(
                        "{} by {name} in Data.Real and {} in Data.Imag",
                        real.size(name),
                        imaginary.size(name)
                    ),
                    "the same of both",
                ));
            }
        }
        let frequencies = container.needed("N")?;
        if frequencies.values.len() != real.size("N") {
            return Err(container.wrong(
                format!("{} frequencies in N", frequencies.values.len()),
                format!("{}, as in Data.Real", real.size("N")),
            ));
        }
        let unit = container.text_of("N", "Units").map(|u| u.to_lowercase());
        if unit
            .as_deref()
            .is_some_and(|u| !["hertz", "hz"].contains(&u))
        {
            return Err(container.wrong(
                format!("frequencies in {:?} in N", unit.unwrap_or_default()),
                "hertz",
            ));
        }
        let (grid, order) = axis(container, &frequencies.values, notes)?;
        Ok(Spectra {
            real,
            imaginary,
            grid,
            order,
        })
    }

    fn rows(
        &self,
        container: &Container,
        wanted: &[(usize, usize)],
        notes: &mut Vec<Note>,
    ) -> Result<Rows> {
        let largest = self
            .real
            .values
            .iter()
            .zip(&self.imaginary.values)
            .map(|(re, im)| re.hypot(*im))
            .filter(|a| *a <= LARGEST)
            .fold(0.0, f64::max);
        if largest <= 0.0 {
            return Err(container.wrong("nothing but zeros in Data.Real", "sound"));
        }
        let mut all_real = true;
        let mut rows = Vec::with_capacity(wanted.len());
        for (m, r) in wanted {
            let mut levels_db = Vec::with_capacity(self.order.len());
            let mut phase_deg = Vec::with_capacity(self.order.len());
            for n in &self.order {
                let re = finite(container, &self.real, *m, *r, *n)?;
                let im = finite(container, &self.imaginary, *m, *r, *n)?;
                all_real &= im == 0.0 && re >= 0.0;
                levels_db.push(amplitude_to_db(re.hypot(im).max(LEAST_AMPLITUDE * largest)));
                phase_deg.push(im.atan2(re).to_degrees());
            }
            rows.push(Row {
                levels_db,
                phase_deg: Some(phase::continuous(self.grid.freqs_hz(), phase_deg)),
            });
        }
        if all_real {
            notes.push(Note::NoImaginaryPart);
            for row in &mut rows {
                row.phase_deg = None;
            }
        }
        Ok(Rows {
            grid: self.grid.clone(),
            rows,
            trusted_from_hz: None,
        })
    }
}

/// The frequencies in ascending order, and where each stands in the file. A first one of 0 Hz,
/// as transforms have it, is left out.
fn axis(
    container: &Container,
    freqs_hz: &[f64],
    notes: &mut Vec<Note>,
) -> Result<(Grid, Vec<usize>)> {
    if let Some(n) = freqs_hz
        .iter()
        .position(|f| !(0.0..=HIGHEST_HZ).contains(f))
    {
        return Err(container.wrong(
            format!("{} Hz as frequency {} of N", freqs_hz[n], n + 1),
            "a frequency above 0 Hz and at most 10 MHz",
        ));
    }
    let mut order: Vec<usize> = (0..freqs_hz.len()).filter(|n| freqs_hz[*n] > 0.0).collect();
    order.sort_by(|a, b| freqs_hz[*a].total_cmp(&freqs_hz[*b]));
    if order.len() < freqs_hz.len() {
        notes.push(Note::ZeroHzLeftOut);
    }
    if let Some(pair) = order.windows(2).find(|p| freqs_hz[p[0]] == freqs_hz[p[1]]) {
        return Err(container.wrong(
            format!("{} Hz twice in N", freqs_hz[pair[0]]),
            "every frequency once",
        ));
    }
    let grid = Grid::new(order.iter().map(|n| freqs_hz[*n]).collect()).ok_or_else(|| {
        container.wrong(
            format!("{} frequencies above 0 Hz in N", order.len()),
            "at least two",
        )
    })?;
    Ok((grid, order))
}

impl Impulses {
    fn read(container: &Container) -> Result<Impulses> {
        let responses = container.needed("Data.IR")?;
        responses.only(container, &RESPONSE)?;
        let rates = container.needed("Data.SamplingRate")?;
        let unit = container
            .text_of("Data.SamplingRate", "Units")
            .map(|u| u.to_lowercase());
        let rate_hz = rates.values.first().copied().unwrap_or(f64::NAN);
        let same = rates.values.iter().all(|rate| *rate == rate_hz);
        let in_hertz = unit.as_deref().is_none_or(|u| ["hertz", "hz"].contains(&u));
        if !same || !in_hertz || !RATES_HZ.contains(&rate_hz) {
            return Err(container.wrong(
                format!(
                    "{rate_hz} {} as Data.SamplingRate",
                    unit.unwrap_or_default()
                ),
                "one rate for all between 1000 and 10 million hertz",
            ));
        }
        let delay = container.variable("Data.Delay")?;
        if let Some(delay) = &delay {
            delay.only(container, &["M", "R"])?;
            let fits = |name: &str| [1, responses.size(name)].contains(&delay.size(name));
            if !fits("M") || !fits("R") {
                return Err(container.wrong(
                    format!("{} by {} delays", delay.size("M"), delay.size("R")),
                    "one for each response, or one for all",
                ));
            }
        }
        Ok(Impulses {
            responses,
            rate_hz,
            delay,
        })
    }

    fn rows(
        &self,
        container: &Container,
        wanted: &[(usize, usize)],
        notes: &mut Vec<Note>,
    ) -> Result<Rows> {
        let length = self.responses.size("N");
        let mut impulses = Vec::with_capacity(wanted.len());
        for (m, r) in wanted {
            let samples = (0..length)
                .map(|n| finite(container, &self.responses, *m, *r, n))
                .collect::<Result<Vec<f64>>>()?;
            let delay = match &self.delay {
                Some(delay) => finite(container, delay, *m, *r, 0)?,
                None => 0.0,
            };
            if delay.abs() > LONGEST_DELAY_S * self.rate_hz {
                return Err(container.wrong(
                    format!("a delay of {delay} samples in Data.Delay"),
                    "at most ten seconds",
                ));
            }
            impulses.push(Impulse {
                samples,
                starts_s: delay / self.rate_hz,
            });
        }
        let spectra =
            gated::spectra(&impulses, self.rate_hz, Wanted::default()).ok_or_else(|| {
                container.wrong(
                    format!(
                        "{length} samples at {} Hz without usable sound",
                        self.rate_hz
                    ),
                    "impulse responses",
                )
            })?;
        notes.push(spectra.gate.note());
        Ok(Rows {
            grid: spectra.grid,
            trusted_from_hz: Some(spectra.gate.trusted_from_hz()),
            rows: spectra
                .rows
                .into_iter()
                .map(|(levels_db, phase_deg)| Row {
                    levels_db,
                    phase_deg: Some(phase_deg),
                })
                .collect(),
        })
    }
}

/// No sound of a loudspeaker arrives later than this, s.
const LONGEST_DELAY_S: f64 = 10.0;
