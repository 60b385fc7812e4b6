//! Many speakers, each planned on its own, in one table.

use super::files::PictureFormat;
use super::options::PlanOptions;
use super::planned::plan_for;
use super::speaker::Speaker;
use super::written::write_plan;
use crate::average::RearWall;
use crate::device::Device;
use crate::error::{Error, Result};
use crate::predict::summary::{Entry, Summary};
use crate::target::Target;
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// What is the same for all speakers.
#[derive(Debug)]
pub struct Ranking<'a> {
    /// What runs the filters.
    pub device: &'a Device,
    /// The wanted curve.
    pub target: &'a Target,
    /// How the rear wall enters the early reflections.
    pub rear_wall: RearWall,
    /// Everything else.
    pub options: &'a PlanOptions,
    /// Where each speaker's plan is written, in a folder named as the speaker's; nowhere when
    /// not given.
    pub out: Option<&'a Path>,
    /// What the user typed, for the reports.
    pub command: &'a str,
    /// Format of pictures to be written beside each report.
    pub pictures: Option<PictureFormat>,
    /// How many speakers are worked on at once; as many as there are cores when not given.
    pub threads: Option<usize>,
}

/// Folders further down than this are not searched: links may lead in circles.
const DEEPEST: usize = 32;

/// All folders below `root`, itself included, that hold a `speaker.toml`, in the order of their
/// names. What lies inside a speaker folder belongs to that speaker and is not searched, and
/// `except` is passed over.
///
/// # Errors
/// When a folder cannot be read.
pub fn speaker_folders(root: &Path, except: Option<&Path>) -> Result<Vec<PathBuf>> {
    let except = except.and_then(|path| path.canonicalize().ok());
    let mut found = Vec::new();
    search(root, Path::new(""), except.as_deref(), 0, &mut found)?;
    found.sort();
    Ok(found)
}

fn search(
    root: &Path,
    below: &Path,
    except: Option<&Path>,
    depth: usize,
    found: &mut Vec<PathBuf>,
) -> Result<()> {
    let here = root.join(below);
    if here.join("speaker.toml").symlink_metadata().is_ok() {
        found.push(below.to_path_buf());
        return Ok(());
    }
    if depth == DEEPEST || except.is_some_and(|e| here.canonicalize().is_ok_and(|h| h == e)) {
        return Ok(());
    }
    let failed = |source| Error::file(&here, "read", source);
    for entry in std::fs::read_dir(&here).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        // Links are not followed; a folder is met once, under its own name.
        if entry.file_type().map_err(failed)?.is_dir() {
            search(
                root,
                &below.join(entry.file_name()),
                except,
                depth + 1,
                found,
            )?;
        }
    }
    Ok(())
}

/// Plans every speaker of `folders` below `root`, several at once, and calls `done` after each.
///
/// One that cannot be read or planned keeps its place and its error. The best served come first:
/// by what the plan takes off the audible deviation, then by folder; those without a plan come
/// last. The outcome does not depend on how many are worked on at once.
///
/// # Errors
/// When the threads cannot be had.
pub fn rank(
    root: &Path,
    folders: &[PathBuf],
    ranking: &Ranking,
    done: impl Fn() + Sync,
) -> Result<Vec<Entry>> {
    let threads = rayon::ThreadPoolBuilder::new()
        .num_threads(ranking.threads.unwrap_or(0))
        .build()
        .map_err(|error| Error::call(format!("cannot start the threads: {error}")))?;
    let mut ranked: Vec<Entry> = threads.install(|| {
        // One by one: speakers differ in how long they take.
        folders
            .par_iter()
            .with_max_len(1)
            .map(|folder| {
                let outcome = one(&root.join(folder), folder, ranking);
                done();
                Entry {
                    folder: folder.clone(),
                    outcome: outcome.map_err(|error| error.to_string()),
                }
            })
            .collect()
    });
    ranked.sort_by(|a, b| {
        let key = |r: &Entry| {
            r.outcome
                .as_ref()
                .map_or(f64::NEG_INFINITY, Summary::removed_db)
        };
        key(b)
            .total_cmp(&key(a))
            .then_with(|| a.folder.cmp(&b.folder))
    });
    Ok(ranked)
}

fn one(path: &Path, folder: &Path, ranking: &Ranking) -> Result<Summary> {
    let speaker = Speaker::read(path, ranking.rear_wall)?;
    let plan = plan_for(&speaker, ranking.device, ranking.target, ranking.options)?;
    if let Some(out) = ranking.out {
        no_link_below(out, folder)?;
        write_plan(
            &plan,
            &speaker,
            ranking.command,
            ranking.pictures,
            &out.join(folder),
        )?;
    }
    Ok(Summary::of(&plan))
}

/// Refuses a link at any step from `out` down to `below` it: it could lead anywhere.
fn no_link_below(out: &Path, below: &Path) -> Result<()> {
    let mut place = out.to_path_buf();
    for step in below {
        place.push(step);
        if place
            .symlink_metadata()
            .is_ok_and(|found| found.is_symlink())
        {
            return Err(Error::in_file(&place, "a link", "a folder, or nothing yet")
                .with_hint("take the link away or choose another folder with --out"));
        }
    }
    Ok(())
}
