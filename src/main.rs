//! The command line of planish: hands the arguments to the library and picks the exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    planish::cli::main()
}
