//! Draws the pictures of the README from the demo speakers:
//! `cargo run --release --example pictures` writes them into `examples/pictures`.
//!
//! `tests/pictures.rs` checks that they are current.

use planish::average::RearWall;
use planish::error::Result;
use planish::run::{PictureFormat, PlanOptions, Speaker, picture_files, plan};
use std::path::Path;

/// Where they are kept.
pub const FOLDER: &str = "examples/pictures";

/// Which picture of which demo speaker.
const WANTED: [(&str, &str); 4] = [
    ("quayside_5", "response"),
    ("quayside_5", "filters"),
    ("lantern_8", "response"),
    ("lantern_8", "angles"),
];

/// Names and contents of all pictures.
pub fn drawn() -> Result<Vec<(String, Vec<u8>)>> {
    let mut files = Vec::new();
    for speaker_folder in ["quayside_5", "lantern_8"] {
        let path = Path::new("examples").join(speaker_folder);
        let speaker = Speaker::read(&path, RearWall::default())?;
        let plan = plan(&speaker, &PlanOptions::default())?;
        for (name, content) in picture_files(&plan, PictureFormat::Svg)? {
            let key = name.trim_end_matches(".svg");
            if WANTED.contains(&(speaker_folder, key)) {
                files.push((format!("{speaker_folder}-{name}"), content));
            }
        }
    }
    Ok(files)
}

#[allow(dead_code)] // the test has a main of its own
fn main() -> Result<()> {
    let files = drawn()?;
    let files: Vec<(&str, &[u8])> = files
        .iter()
        .map(|(name, content)| (name.as_str(), content.as_slice()))
        .collect();
    for path in planish::export::files::write_all(Path::new(FOLDER), &files)? {
        println!("{}", path.display());
    }
    Ok(())
}
