//! Arguments about the other unit of a pair.

use crate::error::{Error, Result};
use crate::predict::Plan;
use crate::read::folder::InputFile;
use crate::run::{self, PlanOptions, Speaker};
use clap::Args;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What is said of the other unit.
#[derive(Debug, Args)]
pub(super) struct PairArguments {
    /// Speaker folder of the other unit: both share one list, and what differs is left. Named by
    /// `second_unit` in speaker.toml when not given here
    #[arg(long, value_name = "FOLDER", help_heading = "Pair")]
    pub pair: Option<PathBuf>,
    /// Plan each unit of the pair on its own too, with a list for each
    #[arg(long, help_heading = "Pair")]
    pub per_unit: bool,
}

impl PairArguments {
    /// Folder of the other unit of `speaker`; `None` where none is named.
    fn second(&self, speaker: &Speaker) -> Result<Option<PathBuf>> {
        let named = || speaker.folder.second_unit();
        match self.pair.clone().or_else(named) {
            Some(folder) => Ok(Some(folder)),
            None if self.per_unit => Err(Error::call("--per-unit needs the other unit of a pair")
                .with_hint("name its folder with --pair, or as second_unit in speaker.toml")),
            None => Ok(None),
        }
    }

    /// Plans `speaker`, as one of a pair where there is another unit, which is read by `read` and
    /// becomes part of what the speaker was read from.
    ///
    /// # Errors
    /// When the other unit cannot be read, lists per unit are asked of a single speaker, or as
    /// [`run::plan`].
    pub fn planned(
        &self,
        speaker: &mut Speaker,
        options: &PlanOptions,
        read: impl Fn(&Path) -> Result<Speaker>,
    ) -> Result<Plan> {
        let Some(folder) = self.second(speaker)? else {
            return run::plan(speaker, options);
        };
        let _ = writeln!(std::io::stderr(), "second unit:");
        let second = read(&folder)?;
        let plan = run::pair::plan_pair(speaker, &second, options, self.per_unit)?;
        let place = |input: &InputFile| second.folder.folder.join(&input.path);
        speaker
            .spared
            .extend(second.folder.inputs.iter().map(place));
        // Both folders hold files of the same names.
        let inputs = second.folder.inputs.into_iter().map(|mut input| {
            input.path = Path::new("second unit").join(input.path);
            input
        });
        speaker.folder.inputs.extend(inputs);
        Ok(plan)
    }

    /// The options as they would be typed again, each behind a blank; folders by their name alone.
    pub fn typed(&self) -> String {
        let mut words = match &self.pair {
            Some(folder) => {
                let own = folder.file_name().map(Path::new);
                format!(" --pair {}", own.unwrap_or(folder).display())
            }
            None => String::new(),
        };
        if self.per_unit {
            words += " --per-unit";
        }
        words
    }
}
