//! The files of a plan: name and content.

use super::lists::subwoofer_list;
use super::speaker::Speaker;
use crate::error::Result;
use crate::export;
use crate::predict::Plan;
use crate::report::{self, html::Provenance};

/// In which format pictures are written as files of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureFormat {
    /// Lines, sharp at any size.
    Svg,
    /// Dots.
    #[cfg(feature = "pictures")]
    Png,
}

/// The list of the subwoofer's low-pass.
pub(super) const SUBWOOFER_LIST: &str = "subwoofer.txt";

/// The lists of the two units of a pair.
pub(super) const UNIT_LISTS: [&str; 2] = ["filters_unit_1.txt", "filters_unit_2.txt"];

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
    if let Some(list) = subwoofer_list(plan)? {
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
            #[cfg(feature = "pictures")]
            PictureFormat::Png => Ok((format!("{key}.png"), export::bitmap::png(&svg)?)),
        })
        .collect()
}
