//! The whole chain, from what was asked for to the files: the only module that knows every other.

mod options;
mod speaker;
mod owner;
mod chain;
mod planned;
pub mod pair;
pub mod request;
pub mod aims;
pub mod compare;
mod lists;
mod written;
pub mod rank;
mod demo;
pub mod apply;
pub mod check;
pub mod convert;

pub use demo::{NamedText, demo_files, write_demo};
pub use options::{DEFAULT_DEVICE, DEFAULT_TARGET, PlanOptions, device, device_and_target};
pub use planned::{fit_curve, plan, plan_for, plan_subject};
pub use speaker::Speaker;
pub use written::{PictureFormat, default_out, picture_files, plan_files, write_plan};
