//! The demo speakers as files.

use crate::curve::Grid;
use crate::error::Result;
use crate::export;

/// Name and text of a file.
pub type NamedText = (String, String);

/// The demo speakers as they stand in files: folder, and its files.
///
/// # Errors
/// None as long as the demo designs fit together.
pub fn demo_files() -> Result<Vec<(&'static str, Vec<NamedText>)>> {
    use crate::simulate::Simulated;
    let speakers = crate::simulate::demo_speakers()?;
    speakers
        .into_iter()
        .map(|(folder, speaker, measurement)| {
            let response = speaker.measure(&measurement)?;
            let about = "Simulated for planish: an invented speaker from an invented workshop.";
            let mut files = export::folder::speaker_files(speaker.name(), &response, None, about);
            if folder == SEATED {
                files.push(("seats.csv".to_string(), demo_seats()));
            }
            Ok((folder, files))
        })
        .collect()
}

/// The demo speaker that comes with seats in a room.
const SEATED: &str = "quayside_5";

/// The seats of the demo as a table.
fn demo_seats() -> String {
    let (listening, names) = crate::simulate::demo_seats();
    let grid = Grid::logarithmic(20.0, 500.0, 48.0);
    let seats = listening.levels_db(&grid);
    export::folder::seats_table(&grid, &names, &seats)
}
