//! SOFA files written for tests with a general netCDF-4 writer.

#![allow(dead_code)] // Each test program uses its own part.

use netcdf_writer::{
    DimensionId, NcAttrValue, NcFileBuilder, NcWriteFormat, NcWriteOptions, VariableId,
};

/// A variable: name, dimensions by name, values, attributes.
#[derive(Clone)]
pub struct Var {
    pub name: &'static str,
    pub dimensions: &'static [&'static str],
    pub values: Vec<f64>,
    pub attributes: Vec<(&'static str, &'static str)>,
}

/// What a file holds beside its variables.
#[derive(Clone)]
pub struct Sofa {
    pub convention: &'static str,
    pub data_type: &'static str,
    /// Sizes of M, R and N.
    pub sizes: [usize; 3],
    pub variables: Vec<Var>,
}

pub fn var(name: &'static str, dimensions: &'static [&'static str], values: Vec<f64>) -> Var {
    Var {
        name,
        dimensions,
        values,
        attributes: Vec::new(),
    }
}

impl Var {
    pub fn with(mut self, name: &'static str, value: &'static str) -> Var {
        self.attributes.push((name, value));
        self
    }

    pub fn spherical(self) -> Var {
        self.with("Type", "spherical")
            .with("Units", "degree, degree, metre")
    }

    pub fn cartesian(self) -> Var {
        self.with("Type", "cartesian").with("Units", "metre")
    }
}

impl Sofa {
    /// The bytes of the file, its variables compressed as SOFA files usually are.
    pub fn bytes(&self) -> Vec<u8> {
        let mut file = NcFileBuilder::new();
        let [m, r, n] = self.sizes;
        let dimensions: Vec<(&str, DimensionId)> =
            [("M", m), ("R", r), ("N", n), ("C", 3), ("I", 1)]
                .into_iter()
                .map(|(name, size)| (name, file.add_dimension(name, size as u64).unwrap()))
                .collect();
        let text = |value: &str| NcAttrValue::Chars(value.to_string());
        for (name, value) in [
            ("Conventions", "SOFA"),
            ("Version", "2.1"),
            ("SOFAConventions", self.convention),
            ("SOFAConventionsVersion", "1.0"),
            ("DataType", self.data_type),
        ] {
            file.add_attribute(name, text(value)).unwrap();
        }
        for variable in &self.variables {
            let ids: Vec<DimensionId> = variable
                .dimensions
                .iter()
                .map(|wanted| {
                    dimensions
                        .iter()
                        .find(|(name, _)| name == wanted)
                        .unwrap()
                        .1
                })
                .collect();
            let id: VariableId = file.add_variable::<f64>(variable.name, &ids).unwrap();
            for (name, value) in &variable.attributes {
                file.add_variable_attribute(id, *name, text(value)).unwrap();
            }
            let shape: Vec<u64> = variable
                .dimensions
                .iter()
                .map(|wanted| match *wanted {
                    "M" => m as u64,
                    "R" => r as u64,
                    "N" => n as u64,
                    "C" => 3,
                    _ => 1,
                })
                .collect();
            file.set_variable_chunking(id, shape).unwrap();
            file.set_variable_deflate(id, Some(6), true).unwrap();
            file.write_variable(id, &variable.values).unwrap();
        }
        file.to_vec(NcWriteOptions {
            format: NcWriteFormat::Nc4,
        })
        .unwrap()
        .1
    }
}
