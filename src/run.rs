//! The whole chain: the only room that knows every other.

pub mod aims;
pub mod apply;
mod chain;
pub mod compare;
mod owner;
pub mod pair;
pub mod rank;
pub mod request;
pub mod check;
pub mod convert;

use crate::aim::Aimed;
use crate::audit::{self, Subject};
use crate::average::{AveragedCurves, RearWall};
use crate::budget::{Tables, Wishes};
use crate::curve::{Grid, Limits};
use crate::device::Device;
use crate::error::{Error, Result};
use crate::export;
use crate::fit::{self, Fit, Wanted};
use crate::predict::Plan;
use crate::read::folder::{InputFile, Measured, SpeakerFolder, read_speaker};
use crate::report::{self, html::Provenance};
use crate::response::Response;
use crate::seats::{Room, SeatLevels};
use crate::target::Target;
use std::path::{Path, PathBuf};

/// What a plan was asked for; names as typed.
#[derive(Debug, Clone, Default)]
pub struct PlanOptions {
    /// Device by name or path; the default device when not given.
    pub device: Option<String>,
    /// Target by name or path; flat when not given.
    pub target: Option<String>,
    /// At most this many stages; as many as pay when not given.
    pub stages: Option<usize>,
    /// Types of stages that are not to be used.
    pub without: Vec<crate::filter::Kind>,
    /// Limits of the audit.
    pub audit: audit::Options,
    /// Share of the usual search for better stages, 0 to 1; a fifth of it when not given.
    pub effort: Option<f64>,
    /// What the owner says of the situation.
    pub owner: Wishes,
    /// The room the speaker plays in, when the owner says something of it.
    pub room: Option<Room>,
    /// Levels at the seats, measured with the subwoofer playing.
    pub sub_seats: Option<SeatLevels>,
}

/// The device used unless another one is named.
pub const DEFAULT_DEVICE: &str = "open-48k";

/// The target used unless another one is named.
pub const DEFAULT_TARGET: &str = "flat";

/// A speaker as read, with its averaged curves.
#[derive(Debug, Clone)]
pub struct Speaker {
    /// What was read.
    pub folder: SpeakerFolder,
    /// Its averaged curves, round the axis that is listened on.
    pub curves: AveragedCurves,
    /// The axis that is listened on, when it is not the speaker's own.
    pub aim: Option<Aimed>,
    /// What else was read for its plan: nothing may be written in the place of it.
    pub spared: Vec<PathBuf>,
}

impl Speaker {
    /// Reads a speaker folder and averages its angles.
    ///
    /// # Errors
    /// When the folder cannot be read or understood.
    pub fn read(path: &Path, rear_wall: RearWall) -> Result<Speaker> {
        Ok(Speaker::of(read_speaker(path)?, rear_wall))
    }

    /// The speaker in a folder that was read, its angles averaged.
    pub fn of(folder: SpeakerFolder, rear_wall: RearWall) -> Speaker {
        let curves = match &folder.measured {
            Measured::Angles(response) => AveragedCurves::from_response(response, rear_wall),
            Measured::Curves(curves) => (**curves).clone(),
        };
        Speaker {
            folder,
            curves,
            aim: None,
            spared: Vec::new(),
        }
    }

    /// Reads a speaker and turns it by `aim_deg`, where that is given; see [`Speaker::aimed`].
    /// `heard` is called for the speaker as it was read.
    ///
    /// # Errors
    /// As [`Speaker::read`] and [`Speaker::aimed`].
    pub fn read_aimed(
        path: &Path,
        rear_wall: RearWall,
        aim_deg: Option<f64>,
        heard: &mut dyn FnMut(&Speaker),
    ) -> Result<Speaker> {
        let speaker = Speaker::read(path, rear_wall)?;
        heard(&speaker);
        match aim_deg {
            Some(aim_deg) if aim_deg != 0.0 => speaker.aimed(aim_deg),
            _ => Ok(speaker),
        }
    }

    /// The same speaker listened to from `aim_deg` degrees to the positive horizontal side of its
    /// own axis; at 0 from that axis.
    ///
    /// # Errors
    /// When only averaged curves are at hand, or see [`Aimed::new`].
    pub fn aimed(&self, aim_deg: f64) -> Result<Speaker> {
        let Some(response) = self.measured_response() else {
            return Err(
                Error::call("averaged curves do not show what is heard from the side")
                    .with_hint("--aim needs the horizontal angles"),
            );
        };
        let rear_wall = self.curves.rear_wall;
        let (curves, aim) = if aim_deg == 0.0 {
            (AveragedCurves::from_response(response, rear_wall), None)
        } else {
            let aimed = Aimed::new(response, rear_wall, aim_deg)?;
            (aimed.curves.clone(), Some(aimed))
        };
        Ok(Speaker {
            folder: self.folder.clone(),
            curves,
            aim,
            spared: self.spared.clone(),
        })
    }

    /// The range in which the measurement is to be trusted.
    pub fn trusted(&self) -> Limits {
        Limits {
            from_hz: self.folder.trusted_from_hz,
            to_hz: self.folder.trusted_to_hz,
        }
    }

    /// All angles round the axis that is listened on, where they were measured.
    pub fn response(&self) -> Option<&Response> {
        match &self.aim {
            Some(aimed) => Some(&aimed.response),
            None => self.measured_response(),
        }
    }

    /// All angles round the speaker's own axis, where they were measured.
    pub fn measured_response(&self) -> Option<&Response> {
        match &self.folder.measured {
            Measured::Angles(response) => Some(response),
            Measured::Curves(_) => None,
        }
    }
}

/// Audits a speaker, fits the filters and predicts what they do.
///
/// # Errors
/// When a name is not known, the options contradict each other or the measurement, or the
/// device cannot hold the filters.
pub fn plan(speaker: &Speaker, options: &PlanOptions) -> Result<Plan> {
    let (device, target) = device_and_target(options)?;
    plan_for(speaker, &device, &target, options)
}

/// Device and target by their names.
///
/// # Errors
/// When there is none of that name.
pub fn device_and_target(options: &PlanOptions) -> Result<(Device, Target)> {
    let target = options.target.as_deref().unwrap_or(DEFAULT_TARGET);
    Ok((
        device(options.device.as_deref())?,
        crate::read::target::target(target)?,
    ))
}

/// [`plan`] with device and target at hand; their names in `options` are not looked at.
///
/// # Errors
/// As [`plan`].
pub fn plan_for(
    speaker: &Speaker,
    device: &Device,
    target: &Target,
    options: &PlanOptions,
) -> Result<Plan> {
    let trace = trace_of(speaker);
    let subject = Subject {
        response: speaker.response(),
        curves: &speaker.curves,
        target,
        trusted: speaker.trusted(),
        second_source: trace.as_ref().map(|(grid, levels_db)| (grid, *levels_db)),
    };
    chain::plan(&chain::Case {
        subject: &subject,
        tables: tables_of(speaker),
        name: &speaker.folder.name,
        device,
        options,
        aim: speaker.aim.as_ref(),
        pair: None,
    })
}

/// The trace of a second source on its own grid, dB, where one was measured.
fn trace_of(speaker: &Speaker) -> Option<(Grid, &[f64])> {
    let trace = speaker.folder.evidence.second_source.as_ref()?;
    Some((Grid::new(trace.freqs_hz.clone())?, &trace.level_db))
}

/// What stands beside the response of a speaker.
fn tables_of(speaker: &Speaker) -> Tables<'_> {
    let evidence = &speaker.folder.evidence;
    Tables {
        impedance: evidence.impedance.as_ref(),
        distortion: evidence.distortion.as_ref(),
        compression: evidence.compression.as_ref(),
        distance_m: speaker.folder.distance_m,
        drive_v: speaker.folder.drive_v,
    }
}

/// [`plan_for`] for anything that can be audited, read from files or not; `name` is the
/// speaker's.
///
/// # Errors
/// As [`plan`].
pub fn plan_subject(
    subject: &Subject,
    name: &str,
    device: &Device,
    options: &PlanOptions,
) -> Result<Plan> {
    chain::plan(&chain::Case {
        subject,
        tables: Tables::default(),
        name,
        device,
        options,
        aim: None,
        pair: None,
    })
}

/// Fits a wanted EQ curve from a file.
///
/// # Errors
/// When the file cannot be read, or the device cannot be had.
pub fn fit_curve(
    curve: &Path,
    device_name: Option<&str>,
    options: &fit::Options,
) -> Result<(Fit, Device)> {
    let device = device(device_name)?;
    let wanted = crate::read::wanted::read(curve)?;
    if let Some(last) = wanted.freqs_hz.last()
        && *last >= 0.5 * device.rate_hz
    {
        return Err(Error::call(format!(
            "the curve reaches {last} Hz but {} stops at {} Hz, half its rate",
            device.name,
            0.5 * device.rate_hz
        ))
        .with_hint("leave those rows out or choose a device with a higher rate"));
    }
    let fitted = fit::fit(
        &Wanted {
            freqs_hz: &wanted.freqs_hz,
            gain_db: &wanted.gain_db,
            weights: &wanted.weights,
        },
        &device,
        options,
    )?;
    Ok((fitted, device))
}

/// A device by name or path; the default one when none is named.
///
/// # Errors
/// When there is none of that name.
pub fn device(name: Option<&str>) -> Result<Device> {
    crate::read::device::device(name.unwrap_or(DEFAULT_DEVICE))
}

/// Where a plan is written unless told otherwise: `plan` inside the speaker folder.
///
/// # Errors
/// When a link stands there: a folder from somebody else must not choose where files are written.
pub fn default_out(speaker: &Path) -> Result<PathBuf> {
    let folder = if speaker.is_dir() {
        speaker
    } else {
        speaker.parent().unwrap_or(Path::new("."))
    };
    let out = folder.join("plan");
    match out.symlink_metadata() {
        Ok(found) if found.is_symlink() => {
            Err(Error::in_file(&out, "a link", "a folder, or nothing yet")
                .with_hint("name the folder for the plan with --out"))
        }
        _ => Ok(out),
    }
}

/// In which format pictures are written as files of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureFormat {
    /// Lines, sharp at any size.
    Svg,
    /// Dots.
    Png,
}

/// Writes `filters.txt`, `plan.json`, `curves.csv` and `report.html` of a plan into `out`,
/// `filters_unit_1.txt` and `filters_unit_2.txt` where each unit of a pair has a plan of its own, and
/// its pictures where a format is named, each whole or not at all; the paths written. `command`
/// is what the user typed, for the report.
///
/// # Errors
/// When the device's numbers cannot be listed or the system refuses.
pub fn write_plan(
    plan: &Plan,
    speaker: &Speaker,
    command: &str,
    pictures: Option<PictureFormat>,
    out: &Path,
) -> Result<Vec<PathBuf>> {
    let files = plan_files(plan, speaker, command, pictures)?;
    for (name, _) in &files {
        spare_input(&out.join(name), speaker)?;
    }
    let files: Vec<(&str, &[u8])> = files
        .iter()
        .map(|(name, content)| (name.as_str(), content.as_slice()))
        .collect();
    let written = export::files::write_all(out, &files)?;
    clear_older_lists(out, &written)?;
    Ok(written)
}

/// Filter lists that only some plans have.
const LISTS_OF_SOME: [&str; 3] = [SUBWOOFER_LIST, UNIT_LISTS[0], UNIT_LISTS[1]];

/// The list of the subwoofer's low-pass.
const SUBWOOFER_LIST: &str = "subwoofer.txt";

/// The lists of the two units of a pair.
const UNIT_LISTS: [&str; 2] = ["filters_unit_1.txt", "filters_unit_2.txt"];

/// Takes away lists that an earlier plan left in `out` and this one, which has `written`, does not
/// have: beside new filters they would be loaded as if they belonged to them. A file of such a name
/// that is no filter list is somebody else's and stays.
fn clear_older_lists(out: &Path, written: &[PathBuf]) -> Result<()> {
    for place in LISTS_OF_SOME.map(|name| out.join(name)) {
        if !written.contains(&place) && crate::read::filter_list::read(&place).is_ok() {
            std::fs::remove_file(&place)
                .map_err(|source| Error::file(&place, "take away", source))?;
        }
    }
    Ok(())
}

/// Refuses a place where a file of the measurement stands, under whatever name.
fn spare_input(place: &Path, speaker: &Speaker) -> Result<()> {
    let Ok(standing) = place.canonicalize() else {
        return Ok(());
    };
    let is_input = |input: &InputFile| {
        let own = speaker.folder.folder.join(&input.path);
        own.canonicalize().is_ok_and(|own| own == standing)
    };
    let is_spared = |own: &PathBuf| own.canonicalize().is_ok_and(|own| own == standing);
    if speaker.folder.inputs.iter().any(is_input) || speaker.spared.iter().any(is_spared) {
        return Err(
            Error::in_file(place, "a file of the measurement", "a place for the plan")
                .with_hint("choose another folder with --out"),
        );
    }
    Ok(())
}

/// The files of a plan: name and content.
///
/// # Errors
/// When the device's numbers cannot be listed or a picture cannot be drawn.
pub fn plan_files(
    plan: &Plan,
    speaker: &Speaker,
    command: &str,
    pictures: Option<PictureFormat>,
) -> Result<Vec<(String, Vec<u8>)>> {
    let list = export::filter_list::from_plan(plan)?;
    let filters = export::filter_list::write(&list, &plan.device.word_order)?;
    let json = export::json::plan(plan);
    let curves = export::curves::table(&plan.curves, Some(&plan.prediction.curves_after))?;
    let provenance = Provenance {
        version: env!("CARGO_PKG_VERSION").to_string(),
        command: command.to_string(),
        inputs: speaker
            .folder
            .inputs
            .iter()
            .map(|input| {
                let path = input.path.display().to_string();
                (
                    path,
                    format!("{} bytes, sha256 {}", input.bytes, input.sha256),
                )
            })
            .collect(),
        understood: speaker.folder.understood.to_string(),
    };
    let report = report::html::html(plan, &provenance)?;
    let mut files = vec![
        ("filters.txt".to_string(), filters.into_bytes()),
        ("plan.json".to_string(), json.into_bytes()),
        ("curves.csv".to_string(), curves.into_bytes()),
        ("report.html".to_string(), report.into_bytes()),
    ];
    if let Some(list) = owner::subwoofer_list(plan)? {
        let text = export::filter_list::write(&list, &plan.device.word_order)?;
        files.push((SUBWOOFER_LIST.to_string(), text.into_bytes()));
    }
    for (name, unit) in UNIT_LISTS.iter().zip(&plan.per_unit) {
        let list = export::filter_list::from_plan(unit)?;
        let text = export::filter_list::write(&list, &unit.device.word_order)?;
        files.push((name.to_string(), text.into_bytes()));
    }
    if let Some(format) = pictures {
        files.extend(picture_files(plan, format)?);
    }
    Ok(files)
}

/// The pictures of a plan as files: name and content.
///
/// # Errors
/// When a picture cannot be drawn.
pub fn picture_files(plan: &Plan, format: PictureFormat) -> Result<Vec<(String, Vec<u8>)>> {
    report::pictures::files(plan)?
        .into_iter()
        .map(|(key, svg)| match format {
            PictureFormat::Svg => Ok((format!("{key}.svg"), svg.into_bytes())),
            PictureFormat::Png => Ok((format!("{key}.png"), export::bitmap::png(&svg)?)),
        })
        .collect()
}

/// Writes the demo speakers as folders into `dir`; the folders written.
///
/// # Errors
/// When the system refuses.
pub fn write_demo(dir: &Path) -> Result<Vec<PathBuf>> {
    let mut folders = Vec::new();
    for (folder, files) in demo_files()? {
        let files: Vec<(&str, &[u8])> = files
            .iter()
            .map(|(name, text)| (name.as_str(), text.as_bytes()))
            .collect();
        let folder = dir.join(folder);
        export::files::write_all(&folder, &files)?;
        folders.push(folder);
    }
    Ok(folders)
}

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
