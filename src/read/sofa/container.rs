//! The file around the numbers: netCDF-4 variables and attributes, nothing believed that is not
//! checked.

use crate::error::{Error, Result};
use netcdf_reader::{NcAttribute, NcFile, NcOpenOptions};
use std::path::{Path, PathBuf};

/// The first bytes of an HDF5 file, which every netCDF-4 file is. Source: HDF5 File Format
/// Specification 3.0, III.A (superblock signature).
const SIGNATURE: [u8; 8] = [0x89, b'H', b'D', b'F', 0x0D, 0x0A, 0x1A, 0x0A];

/// The most numbers of one variable that are read: a sphere in steps of 5 degrees with 4096
/// values each. Keeps what a hostile file can ask for below 512 MiB, the file itself included.
const MOST_NUMBERS: usize = 12_000_000;

/// Room for one variable as it is decoded, bytes: eight for each number.
const MOST_DECODED_BYTES: usize = 8 * MOST_NUMBERS;

/// Room for the description of one variable, bytes: real ones need some thousands.
const MOST_HEADER_BYTES: usize = 4 << 20;

/// An open file.
pub(super) struct Container {
    pub file: PathBuf,
    nc: NcFile,
}

/// A variable of numbers.
#[derive(Debug, Clone)]
pub(super) struct Variable {
    pub name: &'static str,
    /// Name and size of each dimension, the slowest first.
    pub dimensions: Vec<(String, usize)>,
    pub values: Vec<f64>,
}

impl Container {
    pub fn open(file: &Path, bytes: Vec<u8>) -> Result<Container> {
        if !bytes.starts_with(&SIGNATURE) {
            return Err(Error::in_file(
                file,
                "a file that does not begin as HDF5",
                "a SOFA file (AES69), which is netCDF-4",
            ));
        }
        let options = NcOpenOptions {
            chunk_cache_bytes: 16 << 20,
            max_chunk_bytes: MOST_DECODED_BYTES,
            max_read_bytes: MOST_DECODED_BYTES,
            max_object_header_bytes: MOST_HEADER_BYTES,
            ..NcOpenOptions::default()
        };
        let nc = NcFile::from_owner(bytes, options).map_err(|error| damaged(file, &error))?;
        Ok(Container {
            file: file.to_path_buf(),
            nc,
        })
    }

    /// An error about the file, at a named place in it.
    pub fn wrong(&self, found: impl Into<String>, expected: impl Into<String>) -> Error {
        Error::in_file(&self.file, found, expected)
    }

    /// A global attribute as text.
    pub fn text(&self, name: &str) -> Option<String> {
        let attribute = self.nc.global_attribute(name).ok()?;
        plain_text(attribute)
    }

    /// An attribute of a variable as text.
    pub fn text_of(&self, variable: &str, name: &str) -> Option<String> {
        let variable = self.nc.variable(variable).ok()?;
        plain_text(variable.attribute(name)?)
    }

    /// A variable, `None` when there is none of that name.
    pub fn variable(&self, name: &'static str) -> Result<Option<Variable>> {
        let Ok(described) = self.nc.variable(name) else {
            return Ok(None);
        };
        let mut count: usize = 1;
        let mut dimensions = Vec::new();
        for dimension in described.dimensions() {
            let size = usize::try_from(dimension.size).unwrap_or(usize::MAX);
            count = count.saturating_mul(size);
            dimensions.push((dimension.name.clone(), size));
        }
        if count > MOST_NUMBERS {
            return Err(self.wrong(
                format!("{count} numbers in {name}"),
                "at most 12 million numbers in one variable",
            ));
        }
        let array = self.nc.read_variable_as_f64(name).map_err(|error| {
            let found = format!("{name} that cannot be read ({error})");
            self.wrong(found, "a sound SOFA file (AES69)")
        })?;
        // Taken over where it lies in order, which it does: a copy would double the memory.
        let values: Vec<f64> = if array.is_standard_layout() && array.len() == count {
            let (values, start) = array.into_raw_vec_and_offset();
            match start {
                None | Some(0) => values,
                Some(start) => values[start..].to_vec(),
            }
        } else {
            array.into_iter().collect()
        };
        if values.len() != count || count == 0 {
            return Err(self.wrong(
                format!("{} numbers in {name}", values.len()),
                format!("{} numbers, as its dimensions say", count.max(1)),
            ));
        }
        Ok(Some(Variable {
            name,
            dimensions,
            values,
        }))
    }

    /// A variable that must be there.
    pub fn needed(&self, name: &'static str) -> Result<Variable> {
        self.variable(name)?
            .ok_or_else(|| self.wrong(format!("no {name}"), format!("the variable {name}")))
    }
}

impl Variable {
    /// Size of the dimension called `name`; 1 when the variable does not have it.
    pub fn size(&self, name: &str) -> usize {
        self.dimensions
            .iter()
            .find(|(own, _)| own == name)
            .map_or(1, |(_, size)| *size)
    }

    /// Refuses dimensions that are not among `known` and hold more than one value.
    pub fn only(&self, container: &Container, known: &[&str]) -> Result<()> {
        match self
            .dimensions
            .iter()
            .find(|(name, size)| *size > 1 && !known.contains(&name.as_str()))
        {
            Some((name, size)) => Err(container.wrong(
                format!("{} over {size} values of dimension {name:?}", self.name),
                format!("{} over {} only", self.name, known.join(", ")),
            )),
            None => Ok(()),
        }
    }

    /// The value at the place `at` gives for each dimension; dimensions of size 1, and those
    /// that `at` does not name, count as 0. `None` beyond the end.
    pub fn value(&self, at: &[(&str, usize)]) -> Option<f64> {
        let mut index = 0;
        for (name, size) in &self.dimensions {
            let own = at
                .iter()
                .find(|(wanted, _)| wanted == name && *size > 1)
                .map_or(0, |(_, i)| *i);
            if own >= *size {
                return None;
            }
            index = index * size + own;
        }
        self.values.get(index).copied()
    }
}

fn damaged(file: &Path, error: &netcdf_reader::Error) -> Error {
    Error::in_file(
        file,
        format!("netCDF-4 that cannot be read ({error})"),
        "a sound SOFA file (AES69)",
    )
}

/// An attribute as text, whichever of the two kinds of text it is.
fn plain_text(attribute: &NcAttribute) -> Option<String> {
    let text = attribute.value.as_string()?;
    Some(text.trim_matches(['\0', ' ', '\n']).to_string())
}
