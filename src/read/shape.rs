//! What a table of some kind must look like, and the names of its columns.

/// What one column holds and what is believed of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    /// As messages say it.
    pub what: &'static str,
    pub from: f64,
    pub to: f64,
    /// The limits in words.
    pub range: &'static str,
}

/// Frequencies; ten megahertz is beyond any sound.
pub(super) const FREQUENCY: Column = Column {
    what: "a frequency in Hz",
    from: f64::MIN_POSITIVE,
    to: 1e7,
    range: "a frequency above 0 Hz and at most 10 MHz",
};

/// Levels and gains; a thousand decibels is beyond any physics and still far from the limits
/// of the arithmetic.
pub(super) const LEVEL: Column = Column {
    what: "a level in dB",
    from: -1000.0,
    to: 1000.0,
    range: "a level between -1000 and 1000 dB",
};

/// Phases, wrapped or not.
pub(super) const PHASE: Column = Column {
    what: "a phase in degrees",
    from: -1e9,
    to: 1e9,
    range: "a phase between -1e9 and 1e9 degrees",
};

/// What a table of some kind must look like.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    /// The columns after the frequency; the last one repeats where more are allowed.
    pub columns: &'static [Column],
    /// The fewest and the most columns, frequency included.
    pub width: (usize, usize),
    /// Whether a header must name the columns.
    pub named: bool,
    /// How many leading columns make a row different from another one.
    pub keys: usize,
}

impl Shape {
    /// The column of a field, 0 for the frequency.
    pub fn column(&self, index: usize) -> &Column {
        match index {
            0 => &FREQUENCY,
            i => &self.columns[(i - 1).min(self.columns.len() - 1)],
        }
    }
}

/// A field of the header.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Name {
    pub text: String,
    pub column: usize,
}

/// The line that names the columns.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub line: usize,
    pub names: Vec<Name>,
}
