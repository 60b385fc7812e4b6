//! What people read, as a value: sections of blocks, described once and rendered by
//! [`super::terminal`] and by `page.rs`.

use super::picture::Picture;
use super::span::Text;
use crate::findings::Decision;
use crate::predict::summary::Sketch;

/// Where something is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Medium {
    /// On the terminal and on the page.
    #[default]
    Both,
    /// On the terminal alone, which is short.
    Terminal,
    /// On the page alone, which is whole.
    Page,
}

impl Medium {
    /// Whether it is shown where `there` is looked at, one of the two.
    pub fn includes(self, there: Medium) -> bool {
        self == Medium::Both || self == there
    }
}

/// Everything that is read at once.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Document {
    /// The small line over the title of a page.
    pub kicker: &'static str,
    /// What it is about.
    pub title: Text,
    /// Where the title is shown.
    pub title_on: Medium,
    /// What contradicts what was asked: the first lines on the terminal, under the title on a page.
    pub warnings: Vec<Text>,
    /// What stands in front of the sections.
    pub opening: Section,
    /// The sections in their order.
    pub sections: Vec<Section>,
}

/// Blocks under a heading.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Section {
    /// The heading; empty where there is none.
    pub heading: &'static str,
    /// Where the heading is shown.
    pub heading_on: Medium,
    /// The blocks in their order, each with where it is shown.
    pub blocks: Vec<(Medium, Block)>,
}

/// A part of a section.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Sentences.
    Paragraph(Look, Text),
    /// A line that is not broken, since it is copied or compared.
    Line(Text),
    /// Points.
    List {
        /// Whether they are counted, from 1.
        numbered: bool,
        /// The points.
        items: Vec<Item>,
    },
    /// Rows and columns.
    Table(Table),
    /// A picture with its words. Terminals show none.
    Figure {
        /// The picture with its numbers.
        picture: Picture,
        /// What is to be seen and how it is to be read.
        caption: Text,
    },
    /// Figures set large, each with its name and a note.
    KeyFigures(Vec<[Text; 3]>),
    /// Names with what they stand for.
    Facts(Vec<(&'static str, Text)>),
    /// Lines that a page shows only when asked.
    Details {
        /// What they are.
        summary: &'static str,
        /// The lines.
        lines: Vec<Text>,
    },
    /// A table that a page shows only when asked. Terminals show none.
    Folded {
        /// What it holds.
        summary: Text,
        /// The table.
        table: Table,
    },
    /// Small pictures of plans. Terminals show none.
    Thumbnails(Vec<Thumbnail>),
}

/// How a paragraph is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// As running text.
    Plain,
    /// As what is to be read first.
    Statement,
    /// As what a table or a title needs beside it.
    Note,
}

/// A point of a list.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Item {
    /// The point.
    pub text: Text,
    /// What belongs to it, a line each.
    pub under: Vec<Text>,
}

impl<T: Into<Text>> From<T> for Item {
    fn from(text: T) -> Item {
        Item {
            text: text.into(),
            under: Vec::new(),
        }
    }
}

/// A small picture of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Thumbnail {
    /// What stands over it.
    pub label: Text,
    /// Where its report lies, relative to the page.
    pub link: Option<String>,
    /// The curves.
    pub sketch: Sketch,
    /// What is to be seen, for those who cannot see it.
    pub words: Text,
    /// What stands below.
    pub caption: Text,
}

/// Rows and columns.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What it holds.
    pub label: &'static str,
    /// Name by which a page gives it a look of its own; empty for the usual one.
    pub look: &'static str,
    /// The columns in their order.
    pub columns: Vec<Column>,
    /// The rows in their order.
    pub rows: Vec<Row>,
}

/// A column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// What it holds.
    pub heading: &'static str,
    /// Unit of all its numbers; empty where they have none or each has its own.
    pub unit: &'static str,
    /// Whether it holds words, which stand to the left; numbers stand to the right.
    pub words: bool,
    /// Where it is shown.
    pub on: Medium,
}

impl Column {
    /// A column of words.
    pub fn words(heading: &'static str) -> Column {
        Column {
            words: true,
            ..Column::numbers(heading, "")
        }
    }

    /// A column of numbers.
    pub const fn numbers(heading: &'static str, unit: &'static str) -> Column {
        Column {
            heading,
            unit,
            words: false,
            on: Medium::Both,
        }
    }

    /// The same shown in one place only.
    pub fn only(self, on: Medium) -> Column {
        Column { on, ..self }
    }
}

/// A row.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Row {
    /// A cell for each column.
    pub cells: Vec<Cell>,
    /// Whether it is the one that was chosen.
    pub chosen: bool,
    /// A sentence about it, with the row on a page, below the table on the terminal.
    pub reason: Option<Text>,
}

impl Row {
    /// The row of these cells.
    pub fn new(cells: impl IntoIterator<Item = Cell>) -> Row {
        Row {
            cells: cells.into_iter().collect(),
            ..Row::default()
        }
    }
}

/// What stands in a row under a column.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Cell {
    /// What it says.
    pub text: Text,
    /// What was decided, shown as a colour too.
    pub decision: Option<Decision>,
    /// How sure it is, 0 to 1, shown as a shape too.
    pub sure: Option<f64>,
    /// Where more stands, relative to the page.
    pub link: Option<String>,
    /// Length of a bar that shows the number, as a share of the longest.
    pub bar: Option<f64>,
}

impl<T: Into<Text>> From<T> for Cell {
    fn from(text: T) -> Cell {
        Cell {
            text: text.into(),
            ..Cell::default()
        }
    }
}

/// The cells of a row from what becomes a cell.
macro_rules! row {
    ($($cell:expr),* $(,)?) => {
        $crate::report::document::Row::new([$($crate::report::document::Cell::from($cell)),*])
    };
}
pub(crate) use row;

impl Section {
    /// An empty section under `heading`.
    pub fn new(heading: &'static str) -> Section {
        Section {
            heading,
            ..Section::default()
        }
    }

    /// A section whose heading stands on a page alone; on the terminal its blocks speak for
    /// themselves.
    pub fn unheaded(heading: &'static str) -> Section {
        Section {
            heading_on: Medium::Page,
            ..Section::new(heading)
        }
    }

    /// A section for one medium alone.
    pub fn only(mut self, on: Medium) -> Section {
        self.heading_on = on;
        for block in &mut self.blocks {
            block.0 = on;
        }
        self
    }

    /// Adds a block that is shown everywhere.
    pub fn with(self, block: Block) -> Section {
        self.with_on(Medium::Both, block)
    }

    /// Adds a block that is shown on `on`.
    pub fn with_on(mut self, on: Medium, block: Block) -> Section {
        self.blocks.push((on, block));
        self
    }

    /// Adds a paragraph.
    pub fn paragraph(self, text: impl Into<Text>) -> Section {
        self.with(Block::Paragraph(Look::Plain, text.into()))
    }

    /// Adds what is to be read first.
    pub fn statement(self, text: impl Into<Text>) -> Section {
        self.with(Block::Paragraph(Look::Statement, text.into()))
    }

    /// Adds a note to a table.
    pub fn note(self, text: impl Into<Text>) -> Section {
        self.with(Block::Paragraph(Look::Note, text.into()))
    }

    /// Adds points, none where there are none.
    pub fn list<T: Into<Item>>(self, items: impl IntoIterator<Item = T>) -> Section {
        let items: Vec<Item> = items.into_iter().map(Into::into).collect();
        match items.is_empty() {
            true => self,
            false => self.with(Block::List {
                numbered: false,
                items,
            }),
        }
    }

    /// Adds a table.
    pub fn table(self, table: Table) -> Section {
        self.with(Block::Table(table))
    }
}
