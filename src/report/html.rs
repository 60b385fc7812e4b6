//! The report: one page that needs nothing but itself.

use super::document::{Block, Document, Look, Section};
use super::picture::Picture;
use super::sections::{self, left_alone, level_change};
use super::span::{Text, db, name, number, percent, text};
use super::text::judged;
use super::words::statement::statement;
use super::{angle_picture, page, pair, pictures, room};
use crate::error::Result;
use crate::predict::Plan;

pub use super::sections::Provenance;

/// The report as one file.
///
/// # Errors
/// When a picture cannot be drawn.
pub fn html(plan: &Plan, provenance: &Provenance) -> Result<String> {
    let title = text!("{}: equalization plan", name(&plan.speaker));
    Ok(page::render(
        &document(plan, provenance)?,
        &title,
        &provenance.version,
    ))
}

fn document(plan: &Plan, provenance: &Provenance) -> Result<Document> {
    let pictures = pictures::all(plan)?;
    let no_angles = pictures.iter().all(|p| p.title != angle_picture::TITLE).then(|| {
        Section::new(angle_picture::TITLE).paragraph("No angles were at hand, so there is no angle picture. What the angles do not share cannot be seen in averaged curves.")
    });
    let drawn = pictures.into_iter().map(|picture| {
        let numbers = picture.numbers.clone();
        let said = [numbers, caption(plan, &picture), picture.scale.clone()];
        let caption = Text::joined(said.into_iter().filter(|text| !text.is_empty()), " ");
        Section::new(picture.title).with(Block::Figure { picture, caption })
    });
    let mut sections: Vec<Section> = drawn.chain(no_angles).collect();
    sections.extend([sections::of_findings(plan), sections::filters(plan)]);
    sections.extend(room::section(plan));
    sections.extend(pair::section(plan));
    sections.push(sections::price(plan));
    sections.extend(sections::asked(plan));
    sections.extend(sections::advice(plan));
    sections.extend([
        sections::ladder(plan),
        sections::rating(plan),
        sections::measurement(plan),
        sections::provenance(plan, provenance),
        sections::cautions(),
    ]);
    Ok(Document {
        kicker: "Equalization plan",
        title: name(&plan.speaker).into(),
        warnings: sections::warnings(plan),
        opening: Section::default()
            .with(Block::Paragraph(Look::Note, judged(plan)))
            .statement(statement(plan))
            .with(Block::KeyFigures(figures(plan))),
        sections,
        ..Document::default()
    })
}

/// The figures that a reader wants first.
fn figures(plan: &Plan) -> Vec<[Text; 3]> {
    let prediction = &plan.prediction;
    let rating = match (prediction.rating_before, prediction.rating_after) {
        (Some(before), Some(after)) => {
            text! {
                "{} \u{2192} {}",
                number(before.preference, 1), number(after.preference, 1)
            }
        }
        _ => "-".into(),
    };
    let deviation = text! {
        "{} \u{2192} {}",
        number(plan.mendable.before_db, 1), db(plan.mendable.after_db, 1)
    };
    vec![
        ["deviation from target".into(), deviation, "rms".into()],
        [
            "reach".into(),
            plan.mendable.reach.map(percent).into(),
            text!("by an ideal EQ{}", sections::reach_range(plan)),
        ],
        [
            "yield".into(),
            plan.mendable.yield_share.map(percent).into(),
            "by these filters".into(),
        ],
        [
            "price".into(),
            db(prediction.price_db, 1).into(),
            "of headroom".into(),
        ],
        ["rating".into(), rating, "Olive 2004, with limits".into()],
    ]
}

/// What is to be seen in a picture.
fn caption(plan: &Plan, picture: &Picture) -> Text {
    match picture.key {
        "response" => text! {
            "Thin and grey: as measured. Thick: with the filters, predicted. Dashed: the target. The in-room target slopes because the speaker beams; that slope is no error.{} Boxes below: full where corrected, in part where softened, empty where left alone. Grey areas are not judged; areas shaded in colour are left alone or only softened.",
            match level_change(plan.prediction.eq_level_db, "higher", "lower") {
                None => Text::default(),
                Some(change) => text!(" Only shape matters: the curves after are drawn {} than they are, which is what the filters change in level.", change),
            }
        },
        "filters" => "The wanted EQ is what the audit allows. Only its shape counts, so it is drawn at the level of the stages. Stages are numbered as in the filter table. Areas shaded in colour are left alone or only softened.".into(),
        "room" => "Each seat over the level that all have in common. Where the thick line is lower than the grey one a peak that the seats share was cut; nulls and differences from seat to seat stay. Shaded area: above the transition, where the angles decide.".into(),
        _ => {
            let said = "Each angle as measured, relative to the listening window at the same frequency. One filter moves every angle alike, so what all angles share is not in this picture and no filter changes it. Pale is as loud as the window, purple quieter, orange louder. Where a spot or a break in the colours stands under a finding, the angles disagree there.";
            let marked = left_alone(plan);
            match marked.is_empty() {
                true => said.into(),
                false => text!("{} Dashed lines stand where something was left alone or only softened: {}.", said, marked),
            }
        }
    }
}
