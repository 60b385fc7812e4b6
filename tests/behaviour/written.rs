//! Reading what the program wrote, without its own readers.

use std::f64::consts::PI;

/// One stage of a list: `b` over `1 + a1/z + a2/z^2`.
#[derive(Clone, Copy, Debug)]
pub struct Section {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

impl Section {
    /// Level in dB at `f_hz`, both polynomials evaluated on the unit circle.
    pub fn level_db(&self, f_hz: f64, rate_hz: f64) -> f64 {
        let w = 2.0 * PI * f_hz / rate_hz;
        let power = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            re * re + im * im
        };
        10.0 * (power(self.b) / power([1.0, self.a[0], self.a[1]])).log10()
    }

    /// Peaking stage or half of a crossover, W3C Audio EQ Cookbook.
    fn of_settings(kind: &str, f0_hz: f64, gain_db: f64, q: f64, rate_hz: f64) -> Section {
        let w = 2.0 * PI * f0_hz / rate_hz;
        let alpha = w.sin() / (2.0 * q);
        let a = 10f64.powf(gain_db / 40.0);
        let cos = w.cos();
        let (b, poles) = match kind {
            "peaking" => (
                [1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a],
                [1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a],
            ),
            "highpass" => (
                [0.5 * (1.0 + cos), -(1.0 + cos), 0.5 * (1.0 + cos)],
                [1.0 + alpha, -2.0 * cos, 1.0 - alpha],
            ),
            _ => panic!("no device with knobs has a {kind}"),
        };
        Section {
            b: b.map(|v| v / poles[0]),
            a: [poles[1] / poles[0], poles[2] / poles[0]],
        }
    }
}

/// A filter list, format 1.
#[derive(Debug)]
pub struct List {
    pub rate_hz: f64,
    pub number: String,
    pub gain_db: f64,
    pub sections: Vec<Section>,
}

impl List {
    pub fn read(text: &str) -> List {
        let mut list = List {
            rate_hz: 0.0,
            number: String::new(),
            gain_db: 0.0,
            sections: Vec::new(),
        };
        let numbers =
            |rest: &str| -> Vec<f64> { rest.split(' ').map(|v| v.parse().unwrap()).collect() };
        // The equation says whether the feedback terms are subtracted, as here, or added.
        let mut sign = 1.0;
        for line in text.lines() {
            let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
            match word {
                "rate_hz" => list.rate_hz = rest.parse().unwrap(),
                "number" => list.number = rest.to_string(),
                "gain_db" => list.gain_db = rest.parse().unwrap(),
                "equation" if rest.contains("+ a1*y1") => sign = -1.0,
                "stage" => {
                    let fields: Vec<&str> = rest.split(' ').collect();
                    let setting = |name: &str| {
                        let found = fields.iter().find_map(|f| f.strip_prefix(name));
                        found.map_or(0.0, |v| v.parse().unwrap())
                    };
                    let section = match list.number.as_str() {
                        "none" => Section::of_settings(
                            fields[1],
                            setting("f0_hz="),
                            setting("gain_db="),
                            setting("q="),
                            list.rate_hz,
                        ),
                        // The numbers of the next lines stand in for these.
                        _ => Section {
                            b: [f64::NAN; 3],
                            a: [f64::NAN; 2],
                        },
                    };
                    list.sections.push(section);
                }
                "b" => {
                    let values = numbers(rest);
                    list.sections.last_mut().unwrap().b = [values[0], values[1], values[2]];
                }
                "a" => {
                    let values = numbers(rest);
                    list.sections.last_mut().unwrap().a = [sign * values[0], sign * values[1]];
                }
                _ => {}
            }
        }
        list
    }

    /// Level in dB behind the first `count` stages, the gain in front left out.
    pub fn behind_db(&self, count: usize, f_hz: f64) -> f64 {
        let sections = self.sections[..count].iter();
        sections.map(|s| s.level_db(f_hz, self.rate_hz)).sum()
    }

    /// Level in dB of all stages, the gain in front left out.
    pub fn stages_db(&self, f_hz: f64) -> f64 {
        self.behind_db(self.sections.len(), f_hz)
    }

    /// Largest level in dB behind any of the stages from the `from`th on, from 1 Hz to half the
    /// rate, the gain in front left out.
    pub fn peak_behind_db(&self, from: usize) -> f64 {
        /// Steps a twentieth of a per cent apart: between two of them the narrowest stage of any
        /// device (Q 10) falls by a millionth of a dB.
        const STEPS: i32 = 20_000;
        let top_hz = 0.4999 * self.rate_hz;
        (0..=STEPS)
            .map(|i| {
                let f_hz = top_hz.powf(f64::from(i) / f64::from(STEPS));
                let mut level_db = 0.0;
                let mut most_db = f64::NEG_INFINITY;
                for (k, section) in self.sections.iter().enumerate() {
                    level_db += section.level_db(f_hz, self.rate_hz);
                    if k + 1 >= from {
                        most_db = most_db.max(level_db);
                    }
                }
                most_db
            })
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

/// A table of curves.
pub struct Curves {
    names: Vec<String>,
    rows: Vec<Vec<f64>>,
}

impl Curves {
    pub fn read(text: &str) -> Curves {
        let mut lines = text.lines();
        let names = lines.next().unwrap().split(',').map(String::from).collect();
        let rows = lines
            .map(|line| line.split(',').map(|v| v.parse().unwrap()).collect())
            .collect();
        Curves { names, rows }
    }

    /// The values of a column.
    pub fn column(&self, name: &str) -> Vec<f64> {
        let at = self.names.iter().position(|n| n == name);
        let at = at.unwrap_or_else(|| panic!("no column {name} in {:?}", self.names));
        self.rows.iter().map(|row| row[at]).collect()
    }

    pub fn names(&self) -> &[String] {
        &self.names
    }
}
