//! The whole chain, from what was asked for to the files: the only module that knows every other.

mod options;
mod speaker;
mod owner;
mod chain;
mod planned;
pub mod pair;
pub mod request;
#[cfg(feature = "cli")]
pub mod aims;
#[cfg(feature = "cli")]
pub mod compare;
#[cfg(feature = "report")]
mod lists;
#[cfg(feature = "report")]
mod files;
#[cfg(feature = "cli")]
mod written;
#[cfg(feature = "cli")]
pub mod rank;
mod demo;
#[cfg(feature = "cli")]
pub mod apply;
pub mod check;
pub mod convert;

pub use demo::{NamedText, demo_files};
#[cfg(feature = "report")]
pub use files::{PictureFormat, picture_files, plan_files};
pub use options::{DEFAULT_DEVICE, DEFAULT_TARGET, EFFORT, PlanOptions, device, device_and_target};
pub use planned::{fit_curve, plan, plan_for, plan_subject};
pub use speaker::Speaker;
#[cfg(feature = "cli")]
pub use written::{default_out, write_demo, write_plan};
