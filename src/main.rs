//! Arguments in, one verb run, one error chain out.

use std::process::ExitCode;

fn main() -> ExitCode {
    traywarden::cli::main()
}
