//! Everything that a plan or an audit is asked for, from its files to the plan.

use super::options::PlanOptions;
use super::pair::plan_pair;
use super::planned::plan;
use super::speaker::Speaker;
use crate::average::RearWall;
use crate::error::{Error, Result};
use crate::predict::Plan;
use crate::read::folder::InputFile;
use crate::read::seats::{SeatsRead, read as read_seats};
use crate::seats::{Room, SeatLevels, Transition};
use std::path::{Path, PathBuf};

/// What was asked for.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Folder or file of the speaker.
    pub speaker: PathBuf,
    /// How the rear wall enters the early reflections.
    pub rear_wall: RearWall,
    /// How it is judged; its room and its seats are those named below.
    pub options: PlanOptions,
    /// Listened to so many degrees to the positive horizontal side of the speaker's own axis.
    pub aim_deg: Option<f64>,
    /// Below this the room decides, when that was stated.
    pub transition: Option<Transition>,
    /// Levels at the seats: a table or a folder of tables.
    pub seats: Option<PathBuf>,
    /// The same, measured with the subwoofer playing.
    pub sub_seats: Option<PathBuf>,
    /// The other unit of a pair, in place of the one that the speaker's own description names.
    pub second_unit: Option<PathBuf>,
    /// Whether each unit of a pair is planned on its own too.
    pub per_unit: bool,
}

/// Which speaker was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// The speaker, or the first of a pair.
    First,
    /// The other unit of a pair.
    Second,
}

impl Request {
    /// Reads what was named and plans. `heard` is called for each speaker as it was read, before it
    /// is planned. The speaker comes back with all files that the plan rests on.
    ///
    /// # Errors
    /// When something cannot be read, lists per unit are asked of a single speaker, or as
    /// [`plan`].
    pub fn planned(&self, heard: &mut dyn FnMut(Unit, &Speaker)) -> Result<(Speaker, Plan)> {
        let seats = self.seats.as_deref().map(read_seats).transpose()?;
        let mut speaker = self.read(&self.speaker, Unit::First, heard)?;
        let mut options = self.options.clone();
        let levels = seats.map(|read| count(&mut speaker, read));
        let transition = self
            .transition
            .or_else(|| levels.is_some().then(Transition::assumed));
        options.room = transition.map(|transition| Room {
            transition,
            seats: levels,
        });
        let sub_seats = self.sub_seats.as_deref().map(read_seats).transpose()?;
        options.sub_seats = sub_seats.map(|read| count(&mut speaker, read));
        let Some(folder) = self.other_unit(&speaker)? else {
            let plan = plan(&speaker, &options)?;
            return Ok((speaker, plan));
        };
        let second = self.read(&folder, Unit::Second, heard)?;
        let plan = plan_pair(&speaker, &second, &options, self.per_unit)?;
        count_second(&mut speaker, second);
        Ok((speaker, plan))
    }

    fn read(
        &self,
        path: &Path,
        unit: Unit,
        heard: &mut dyn FnMut(Unit, &Speaker),
    ) -> Result<Speaker> {
        let mut heard = |speaker: &Speaker| heard(unit, speaker);
        Speaker::read_aimed(path, self.rear_wall, self.aim_deg, &mut heard)
    }

    /// The other unit of `speaker`; `None` where none is named.
    fn other_unit(&self, speaker: &Speaker) -> Result<Option<PathBuf>> {
        let named = speaker.folder.second_unit();
        match self.second_unit.clone().or(named) {
            Some(folder) => Ok(Some(folder)),
            None if self.per_unit => Err(Error::call("--per-unit needs the other unit of a pair")
                .with_hint("name its folder with --pair, or as second_unit in speaker.toml")),
            None => Ok(None),
        }
    }
}

/// Counts the files of the seats among those that the plan of `speaker` rests on.
fn count(speaker: &mut Speaker, read: SeatsRead) -> SeatLevels {
    speaker.folder.inputs.extend(read.inputs);
    speaker.spared.extend(read.places);
    read.levels
}

/// The same of the files of the other unit. Both folders hold files of the same names.
fn count_second(speaker: &mut Speaker, second: Speaker) {
    let place = |input: &InputFile| second.folder.folder.join(&input.path);
    speaker
        .spared
        .extend(second.folder.inputs.iter().map(place));
    let inputs = second.folder.inputs.into_iter().map(|mut input| {
        input.path = Path::new("second unit").join(input.path);
        input
    });
    speaker.folder.inputs.extend(inputs);
}
