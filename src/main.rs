//! Parse, run, print, exit code.

mod bars;
mod cli;
mod surroundings;

use clap::{CommandFactory, Parser};
use cli::{
    CheckArgs, Cli, Command, CompletionsArgs, CurvesArgs, FacetsArgs, Global, InitArgs,
    InspectArgs, JoinArgs, ManualArgs, PlanArgs, TurnArgs,
};
use globewright::{
    CurvesOptions, Error, FacetsOptions, PAGE_FILE, PlanOptions, Problem, Progress, Result,
    Summary, a_solid, check, clean_up_on_interrupt, compare_solids, curves, facets, inspect,
    job_without_file, join, json_value, load_job, plan, read_in_another_process,
    serve_reading_if_asked, sheet_in, starter, turn,
};
use std::io::{ErrorKind, Write};
use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    serve_reading_if_asked();
    match run(&Cli::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            remark(&format!("globewright: {error}"));
            ExitCode::from(error.exit_code())
        }
    }
}

fn run(cli: &Cli) -> Result<()> {
    read_in_another_process(
        surroundings::this_program()?,
        surroundings::of_libraries(),
        cli.global.threads.map(usize::from),
    );
    refuse_idle_settings(cli);
    if !cli.command.ends_itself() {
        clean_up_on_interrupt()?;
    }
    let progress = bars::progress(cli.global.quiet);
    match &cli.command {
        Command::Init(args) => run_init(args, &cli.global),
        Command::Inspect(args) => run_inspect(args, &cli.global, progress.as_ref()),
        Command::Facets(args) => run_facets(args, &cli.global, progress.as_ref()),
        Command::Plan(args) => run_plan(args, &cli.global, progress.as_ref()),
        Command::Curves(args) => run_curves(args, &cli.global, progress.as_ref()),
        Command::Turn(args) => run_turn(args, &cli.global, progress.as_ref()),
        #[cfg(feature = "preview")]
        Command::Preview(args) => run_preview(args, &cli.global, progress.as_ref()),
        Command::Check(args) => run_check(args),
        Command::Join(args) => run_join(args, &cli.global, progress.as_ref()),
        Command::Completions(args) => run_completions(args),
        Command::Manual(args) => run_manual(args, &cli.global),
    }
}

/// A `--set` that would do nothing is a mistake on the command line.
fn refuse_idle_settings(cli: &Cli) {
    if !cli.command.takes_settings() && !cli.global.set.is_empty() {
        let message = "--set changes a job, and this command has none; leave it out";
        Cli::command()
            .error(clap::error::ErrorKind::ArgumentConflict, message)
            .exit();
    }
}

fn run_init(args: &InitArgs, global: &Global) -> Result<()> {
    let text = starter(&global.set, args.all)?;
    if args.file == Path::new("-") {
        return print(&text);
    }
    write_whole(&args.file, text.as_bytes(), args.force)?;
    chat(
        global,
        &format!(
            "Wrote {0}. Name your elevation grid in it, then: globewright facets {0} --out DIR",
            args.file.display()
        ),
    );
    Ok(())
}

fn run_inspect(args: &InspectArgs, global: &Global, progress: &dyn Progress) -> Result<()> {
    let job = job_without_file(&global.set)?;
    let mut settings = job.settings.grid.clone();
    settings.files.clone_from(&args.grids);
    let source = inspect(&settings, progress).map_err(|error| job.locate(error))?;
    if args.json {
        return print_json(&source.json());
    }
    print(&source.text())
}

fn run_facets(args: &FacetsArgs, global: &Global, progress: &dyn Progress) -> Result<()> {
    let job = load_job(&args.job, &global.set)?;
    let options = FacetsOptions {
        out: args.out.clone(),
        facets: args.facets.as_ref().map(|list| list.0.clone()),
        keep_relief: args.keep_relief,
        force: args.force,
        memory_bytes: args.memory,
        shop: args.shop,
        mesh: args.mesh,
        cutters: args.cutters,
        carved: args.carved,
    };
    let summary = facets(&job, &options, progress)?;
    tell(global, "Carved", &summary, &args.out)
}

fn run_join(args: &JoinArgs, global: &Global, progress: &dyn Progress) -> Result<()> {
    let summary = join(&args.parts, &args.out, args.force, progress)?;
    tell(global, "Joined", &summary, &args.out)
}

/// Warnings and where to look first, then the folder as the result.
fn tell(global: &Global, done: &str, summary: &Summary, out: &Path) -> Result<()> {
    for warning in &summary.manifest.warnings {
        chat(global, &format!("Note: {warning}"));
    }
    for warning in &summary.shop_warnings {
        chat(global, &format!("Note: {warning}"));
    }
    let manifest = &summary.manifest;
    chat(
        global,
        &format!(
            "{done} {} of {}; start with {}",
            match manifest.facets.len() {
                1 => "1 facet".into(),
                count => format!("{count} facets"),
            },
            a_solid(&manifest.globe.solid),
            out.join(PAGE_FILE).display()
        ),
    );
    print_place(out)
}

fn run_plan(args: &PlanArgs, global: &Global, progress: &dyn Progress) -> Result<()> {
    let job = load_job(&args.job, &global.set)?;
    let Some(out) = &args.out else {
        let (rows, text) = compare_solids(&job, progress)?;
        if args.json {
            return print_json(&json_value(&rows)?);
        }
        return print(&text);
    };
    let options = PlanOptions {
        out: out.clone(),
        force: args.force,
    };
    let planned = plan(&job, &options, progress)?;
    for warning in &planned.warnings {
        chat(global, &format!("Note: {warning}"));
    }
    chat(
        global,
        &format!("Planned; start with {}", out.join(PAGE_FILE).display()),
    );
    print_place(out)
}

fn run_curves(args: &CurvesArgs, global: &Global, progress: &dyn Progress) -> Result<()> {
    let job = load_job(&args.job, &global.set)?;
    let options = CurvesOptions {
        tries: args.tries.clone(),
        out: args.out.clone(),
        force: args.force,
        suggest: args.suggest,
        bit_mm: args.bit,
    };
    let comparison = curves(&job, &options, progress)?;
    if let Some(out) = &args.out {
        let sheet = sheet_in(out);
        chat(global, &format!("Choose by eye from {}", sheet.display()));
    }
    if args.json {
        return print_json(&json_value(&comparison)?);
    }
    print(&comparison.to_string())
}

fn run_turn(args: &TurnArgs, global: &Global, progress: &dyn Progress) -> Result<()> {
    let job = load_job(&args.job, &global.set)?;
    if let Some(path) = args
        .map
        .as_ref()
        .filter(|path| path.exists() && !args.force)
    {
        // Before the work rather than after it.
        return Err(Error::Disk(
            Problem::new("this file exists already")
                .file(path)
                .next("choose another name, or add --force to replace it"),
        ));
    }
    let (turned, map) = turn(&job, args.map.is_some(), progress)?;
    if let (Some(path), Some(map)) = (&args.map, &map) {
        write_whole(path, map, args.force)?;
    }
    if args.json {
        return print_json(&turned.json());
    }
    print(&format!("{}{}", turned.table(), turned.block()))
}

#[cfg(feature = "preview")]
fn run_preview(args: &cli::PreviewArgs, global: &Global, progress: &dyn Progress) -> Result<()> {
    let options = globewright::PreviewOptions { port: args.port };
    globewright::serve(&args.job, &global.set, options, progress, &mut |link| {
        chat(
            global,
            "Open this link in a browser on this machine; Ctrl-C ends the preview.",
        );
        print(&format!("{link}\n"))
    })?;
    chat(global, "The preview has ended.");
    Ok(())
}

fn run_check(args: &CheckArgs) -> Result<()> {
    let report = check(&args.dir)?;
    if args.json {
        print_json(&json_value(&report)?)?;
    } else {
        print(&report.to_string())?;
    }
    report.verdict(&args.dir)
}

fn print_json(value: &serde_json::Value) -> Result<()> {
    print(&format!("{value:#}\n"))
}

fn run_completions(args: &CompletionsArgs) -> Result<()> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "globewright", &mut script);
    print(&String::from_utf8_lossy(&script))
}

fn run_manual(args: &ManualArgs, global: &Global) -> Result<()> {
    std::fs::create_dir_all(&args.dir)
        .map_err(|error| Error::io(&args.dir, "make the folder", &error))?;
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    let mut pages = vec![command.clone()];
    pages.extend(command.get_subcommands().cloned());
    for page in &pages {
        let name = page
            .get_display_name()
            .unwrap_or(page.get_name())
            .to_owned();
        let path = args.dir.join(format!("{name}.1"));
        let mut text = Vec::new();
        clap_mangen::Man::new(page.clone())
            .render(&mut text)
            .map_err(|error| Error::io(&path, "make the page", &error))?;
        write_whole(&path, &text, true)?;
    }
    chat(
        global,
        &format!("Wrote {} pages to {}", pages.len(), args.dir.display()),
    );
    Ok(())
}

/// Writes a file that appears whole or not at all.
fn write_whole(path: &Path, bytes: &[u8], replace: bool) -> Result<()> {
    globewright::write_whole(path, bytes, replace).map_err(|error| match error.kind() {
        ErrorKind::AlreadyExists => Error::Disk(
            Problem::new("this file exists already")
                .file(path)
                .next("choose another name, or add --force to replace it"),
        ),
        _ => Error::io(path, "write the file", &error),
    })
}

/// Results, to standard output. A reader that goes away before the end has not got the result, and
/// whoever called must be able to see that.
fn print(text: &str) -> Result<()> {
    write_out(text).map_err(|error| match error.kind() {
        ErrorKind::BrokenPipe => Error::Disk(
            Problem::new("the result was not delivered: its reader went away before the end")
                .file("standard output")
                .next("read it to the end, or write it to a file"),
        ),
        _ => Error::io(Path::new("standard output"), "write", &error),
    })
}

/// Where a result lies, to standard output. The result is there whether this is read or not.
fn print_place(out: &Path) -> Result<()> {
    match write_out(&format!("{}\n", out.display())) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(Error::io(Path::new("standard output"), "write", &error))
        }
        _ => Ok(()),
    }
}

fn write_out(text: &str) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())?;
    out.flush()
}

/// A remark for a person, unless they asked for quiet.
fn chat(global: &Global, text: &str) {
    if !global.quiet {
        remark(text);
    }
}

/// One line to standard error; names of files may hold line breaks.
fn remark(text: &str) {
    let line: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    // Nobody is left to tell if this fails.
    let _ = writeln!(std::io::stderr(), "{line}");
}
