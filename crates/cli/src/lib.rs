//! The command line of firmhand: argument parsing and printing, nothing else.
//!
//! [`run`] hands the arguments to the engine (`job`) and turns its reports and errors into text or JSON and an exit
//! status. Results go to standard output, talk to standard error; all of it makes sense without colour.

mod args;
mod begin;
mod chip;
mod desk;
mod face;
mod image;
mod intake;
mod job;
mod letters;
mod link;
mod media;
mod output;
mod profile;
mod vault;

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use ::job::vault::BENCH_FORMAT;
use ::job::{Front, JobError, News};
use clap::{CommandFactory, FromArgMatches};

use args::{Cli, Color, Command, DemoArgs, Global, ImageCommand, LinkCommand, ReadsCommand, SceneName};
use face::Face;
use output::Output;

/// Runs the program with these arguments, the program's name first; answers its exit status.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let json = arguments.iter().any(|argument| argument == "--json");
    let parsed = Cli::command().try_get_matches_from(arguments).and_then(|matches| Cli::from_arg_matches(&matches));
    let cli = match parsed {
        Ok(cli) => cli,
        Err(error) if json && error.use_stderr() => {
            output::usage(&error);
            return ExitCode::from(2);
        }
        Err(error) => {
            output::wrong_usage(&error);
            return if error.use_stderr() { ExitCode::from(2) } else { ExitCode::SUCCESS };
        }
    };
    match cli.global.color {
        Color::Auto => {}
        Color::Always => anstream::ColorChoice::Always.write_global(),
        Color::Never => anstream::ColorChoice::Never.write_global(),
    }
    let output = Output::new(&cli.global);
    let Some(command) = cli.command else {
        output.print(begin::TEXT);
        return ExitCode::SUCCESS;
    };
    face::watch_interrupts(cli.global.json);
    let mut face = Face::new(&cli.global);
    match dispatch(command, &cli.global, &output, &mut face) {
        Ok(()) => output.status(),
        Err(error) => {
            face.clear_line();
            output.error(&error);
            ExitCode::from(error.kind().exit_status())
        }
    }
}

fn dispatch(command: Command, global: &Global, output: &Output, face: &mut Face) -> Result<(), JobError> {
    let uses_a_bench = match command {
        Command::Demo(_) => global.bench.is_some(),
        Command::Profile(_)
        | Command::Completions { .. }
        | Command::Man { .. }
        | Command::Reads(_)
        | Command::Media(_)
        | Command::Link(LinkCommand::List | LinkCommand::Install { .. }) => false,
        Command::Image(ImageCommand::Compose { .. }) => true,
        Command::Image(_) => false,
        Command::Intake(ref args) => !args.members,
        _ => true,
    };
    if uses_a_bench {
        tell_of_format(&bench_dir(global)?, face);
    }
    match command {
        Command::Demo(args) => demo(&args, global, output, face),
        Command::Ready => {
            let points = ::job::ready::ready(&bench_dir(global)?);
            output.ready(&points);
            if points.iter().any(|point| point.standing == ::job::ready::Standing::Stop) {
                output.says_no();
            }
            Ok(())
        }
        Command::Link(command) => link::run(command, global, &bench_dir(global)?, output, face),
        Command::Chip(command) => chip::run(command, global, &bench_dir(global)?, output, face),
        Command::Job(command) => job::run(command, global, &bench_dir(global)?, output, face),
        Command::Vault(command) => vault::run(command, &bench_dir(global)?, output, face),
        Command::Reads(ReadsCommand::Judge { files, offer }) => {
            let report = ::job::reads::judge(&files, offer.as_ref())?;
            output.result(&report, || report.text());
            if report.verdict != "trusted" {
                output.says_no();
            }
            Ok(())
        }
        Command::Media(command) => media::run(command, global, output, face),
        Command::Intake(args) => intake::run(args, &bench_dir(global)?, output, face),
        Command::Image(command) => image::run(command, global, &bench_dir(global)?, output),
        Command::Profile(command) => profile::run(command, output),
        Command::Desk(args) => desk::run(args, &bench_dir(global)?, output),
        Command::Completions { shell } => {
            clap_complete::generate(shell, &mut Cli::command(), "firmhand", &mut std::io::stdout());
            Ok(())
        }
        Command::Man { dir } => man(&dir, output),
    }
}

fn demo(args: &DemoArgs, global: &Global, output: &Output, face: &mut Face) -> Result<(), JobError> {
    let bench = match &global.bench {
        Some(bench) => bench.clone(),
        None => ::job::demo::free_folder(&std::env::current_dir().unwrap_or_else(|_| std::env::temp_dir())),
    };
    let scene = match args.scene {
        None => ::job::demo::Scene::Job,
        Some(SceneName::Router) => ::job::demo::Scene::Router,
        Some(SceneName::OneChip) => ::job::demo::Scene::OneChip,
        Some(SceneName::CutOff) => ::job::demo::Scene::CutOff,
        Some(SceneName::WrongVoltage) => ::job::demo::Scene::WrongVoltage,
        Some(SceneName::OneBadRead) => ::job::demo::Scene::OneBadRead,
        Some(SceneName::BadContact) => ::job::demo::Scene::BadContact,
        Some(SceneName::WrongImage) => ::job::demo::Scene::WrongImage,
    };
    if args.desk {
        return desk::demo(&args.page, &bench, output, face);
    }
    let report = ::job::demo::run(scene, &bench, face)?;
    output.result(&report, || report.text());
    Ok(())
}

/// Says that a bench of an older format is going to be changed: it takes a while, and the older program then refuses it.
fn tell_of_format(bench: &Path, face: &mut Face) {
    // What cannot be read is told by the opening that follows.
    if let Ok(Some(format)) = ::job::vault::bench_format(bench)
        && format < BENCH_FORMAT
    {
        let text = format!(
            "bringing the bench from format {format} to {BENCH_FORMAT}: everything in it gets parity or a second copy, and \
             older versions of firmhand will not open it any more"
        );
        face.news(&News::Said(text));
    }
}

/// The bench folder: `--bench`, `FIRMHAND_BENCH`, or a folder of the person's own.
fn bench_dir(global: &Global) -> Result<PathBuf, JobError> {
    if let Some(bench) = &global.bench {
        return Ok(bench.clone());
    }
    let of = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    of("XDG_DATA_HOME")
        .or_else(|| of("HOME").map(|home| home.join(".local/share")))
        .map(|data| data.join("firmhand"))
        .ok_or_else(|| JobError::BadOption {
            what: "no bench folder".into(),
            why: "there is no home folder; name one with `--bench DIR`".into(),
        })
}

fn man(dir: &Path, output: &Output) -> Result<(), JobError> {
    let io = |doing| {
        let path = dir.to_path_buf();
        move |source| JobError::Io { doing, path, source }
    };
    std::fs::create_dir_all(dir).map_err(io("make"))?;
    clap_mangen::generate_to(Cli::command(), dir).map_err(io("write man pages into"))?;
    output.print(&format!("man pages are in {}\n", dir.display()));
    Ok(())
}
