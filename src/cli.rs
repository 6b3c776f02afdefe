//! The option table. What an option means is said here; what it does is in the library.

use clap::builder::ValueParser;
use clap::{Args, Parser, Subcommand, ValueHint};
use clap_complete::Shell;
use globewright::{Problem, parse_bytes, parse_facets, parse_mm};
use std::collections::BTreeSet;
use std::path::PathBuf;

const EXIT_CODES: &str = "\
Exit codes:
  0  all is well
  2  the command line was not understood
  3  the job file or a --set must be changed
  4  the elevation grid must be changed, or described by settings
  5  the globe does not fit the wood
  6  the disk, a folder or a permission is in the way
  7  check found that a folder does not hold what it should

First globe:
  globewright init --set grid.files=world.tif moon.toml
  globewright facets moon.toml --out moon
  globewright check moon";

/// Carve a planet: from its elevation grid to height images for the blanks of a wooden globe.
#[derive(Debug, Parser)]
#[command(name = "globewright", version, after_help = EXIT_CODES, propagate_version = true)]
#[command(arg_required_else_help = true, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    #[command(flatten)]
    pub global: Global,
}

/// Options of every command.
#[derive(Debug, Args)]
pub struct Global {
    /// Use another value for a setting of the job, such as globe.diameter=8in; may be repeated
    #[arg(long, value_name = "KEY=VALUE", global = true, help_heading = "Job")]
    pub set: Vec<String>,
    /// Use this many processor cores [default: all]
    #[arg(long, value_name = "N", global = true, help_heading = "Running")]
    #[arg(value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// Show no progress and no remarks, only results and errors
    #[arg(long, short, global = true, help_heading = "Running")]
    pub quiet: bool,
}

/// One command each.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write a short job file to start from, or one with every setting explained
    ///
    /// Values given with --set are written into it; names of files as they are, to be looked for
    /// beside the job file.
    Init(InitArgs),
    /// Say what an elevation grid holds
    ///
    /// Compare the highest and lowest place with what is known of the planet: if they are right,
    /// the file has been understood. Settings of the [grid] section can be given with --set.
    Inspect(InspectArgs),
    /// Make the height image of every facet, with a report
    ///
    /// The folder gets one 16-bit image per facet in facets/, report.html (open it first),
    /// report.md (the same in plain text), overview.png (a picture of all facets) and globe.json (every number, for other programs).
    Facets(FacetsArgs),
    /// Plan the work at the bench: blanks, jig, saw, joints, glue-up
    Plan(PlanArgs),
    /// Compare ways to exaggerate the relief, or have one suggested
    ///
    /// Prints a table of what each way makes of the planet; with --out also draws a chart and a
    /// contact sheet to choose from by eye.
    Curves(CurvesArgs),
    /// Search the turn of the planet whose seams suit the saw, and print it for the job file
    ///
    /// Seams should run over level ground, miss the mountains and leave what is named in [[keep]]
    /// whole. What counts how much is set under [turn].
    Turn(TurnArgs),
    /// Tune the relief by eye: a page that shows the ball while settings are changed
    ///
    /// Prints a link to open in a browser on this machine; nothing can be reached from elsewhere.
    /// Curve, range, detail, turn, solid and diameter are changed by hand, two settings side by
    /// side, and can be written into the job file, which keeps its comments. Ctrl-C ends it.
    #[cfg(feature = "preview")]
    Preview(PreviewArgs),
    /// Read a finished folder again and verify it
    ///
    /// Compares every file with the digest that globe.json has of it, and measures every height
    /// image and every seam afresh. Do it after copying a folder to the machine, before the first
    /// cut.
    Check(CheckArgs),
    /// Put together facets that were made apart
    ///
    /// Several machines can share a job: each makes some facets with facets --facets, and join
    /// merges their folders into the one that a single run would have written.
    Join(JoinArgs),
    /// Print a script that completes commands in a shell
    Completions(CompletionsArgs),
    /// Write manual pages into a folder
    Manual(ManualArgs),
}

impl Command {
    /// Whether it has a job that `--set` can change.
    pub fn takes_settings(&self) -> bool {
        let (done, shell) = (
            matches!(self, Command::Check(_) | Command::Join(_)),
            matches!(self, Command::Completions(_) | Command::Manual(_)),
        );
        !done && !shell
    }

    /// Whether it ends in its own way: Ctrl-C is how the preview is told that all is done.
    pub fn ends_itself(&self) -> bool {
        #[cfg(feature = "preview")]
        return matches!(self, Command::Preview(_));
        #[cfg(not(feature = "preview"))]
        return false;
    }
}

/// `init`.
#[derive(Debug, Args)]
pub struct InitArgs {
    /// Job file to write, or - to print it
    #[arg(value_name = "FILE", default_value = "globe.toml", value_hint = ValueHint::FilePath)]
    pub file: PathBuf,
    /// Write every setting, with what it does and what is allowed
    #[arg(long, help_heading = "Output")]
    pub all: bool,
    /// Replace the file if it exists
    #[arg(long, help_heading = "Output")]
    pub force: bool,
}

/// `inspect`.
#[derive(Debug, Args)]
pub struct InspectArgs {
    /// Elevation files; several are taken as tiles of one grid
    #[arg(value_name = "GRID", required = true, value_hint = ValueHint::FilePath)]
    pub grids: Vec<PathBuf>,
    /// Print JSON for another program
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// `facets`.
#[derive(Debug, Args)]
pub struct FacetsArgs {
    /// Job file
    #[arg(value_name = "JOB", value_hint = ValueHint::FilePath)]
    pub job: PathBuf,
    /// Folder to make
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, help_heading = "Output")]
    pub out: PathBuf,
    /// Write the finished relief of the whole planet too, as relief.tif
    #[arg(long, help_heading = "Output")]
    pub keep_relief: bool,
    /// Make only these facets, such as 3,7-9
    #[arg(long, value_name = "LIST", value_parser = facet_list(), help_heading = "Output")]
    pub facets: Option<FacetList>,
    /// Make the shop plan too, as the plan command does
    #[arg(long, help_heading = "Output")]
    pub shop: bool,
    /// Write meshes too, true size in mm: every blank as STL and the ball as glTF, in mesh/
    #[arg(long, help_heading = "Output")]
    pub mesh: bool,
    /// Replace the folder if it exists
    #[arg(long, help_heading = "Output")]
    pub force: bool,
    /// Say what bits reach and how long they take, even if the job has no [[cutter]]
    #[arg(long, help_heading = "Output")]
    pub cutters: bool,
    /// Also make images of what the finishing bit leaves
    #[arg(long, help_heading = "Output")]
    pub carved: bool,
    /// Stay below about this much memory, such as 800M or 2G; the images are the same [usual: 3G]
    #[arg(long, value_name = "SIZE", value_parser = memory(), help_heading = "Running")]
    pub memory: Option<u64>,
}

/// `plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// Job file
    #[arg(value_name = "JOB", value_hint = ValueHint::FilePath)]
    pub job: PathBuf,
    /// Folder to make
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, help_heading = "Output")]
    #[arg(required_unless_present = "compare_solids")]
    pub out: Option<PathBuf>,
    /// Replace the folder if it exists
    #[arg(long, help_heading = "Output")]
    pub force: bool,
    /// Print a table of every solid for this globe instead
    #[arg(long, conflicts_with_all = ["out", "force"], help_heading = "Output")]
    pub compare_solids: bool,
    /// Print that table as JSON for another program
    #[arg(long, requires = "compare_solids", help_heading = "Output")]
    pub json: bool,
}

/// `curves`.
#[derive(Debug, Args)]
pub struct CurvesArgs {
    /// Job file
    #[arg(value_name = "JOB", value_hint = ValueHint::FilePath)]
    pub job: PathBuf,
    /// A way to try, as settings of [relief], such as detail=0.5, or curve=asinh,boost=4
    /// for deeper plains; may be repeated
    #[arg(long = "try", value_name = "SETTINGS", help_heading = "Job")]
    pub tries: Vec<String>,
    /// Offer three reliefs, calm, balanced and bold, with what each costs, to paste
    #[arg(long, help_heading = "Job")]
    pub suggest: bool,
    /// Diameter of the round-nosed bit that will cut it; the job's finishing
    /// [[cutter]] if not given, and 1/8 in if there is none
    #[arg(long, value_name = "LENGTH", value_parser = length(), help_heading = "Job")]
    pub bit: Option<f64>,
    /// Folder to make for the chart, the contact sheet and the figures
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, help_heading = "Output")]
    pub out: Option<PathBuf>,
    /// Replace a folder that holds an earlier result
    #[arg(long, help_heading = "Output")]
    pub force: bool,
    /// Print JSON for another program
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// `turn`.
#[derive(Debug, Args)]
pub struct TurnArgs {
    /// Job file
    #[arg(value_name = "JOB", value_hint = ValueHint::FilePath)]
    pub job: PathBuf,
    /// Draw a map with the seams before and after
    #[arg(long, value_name = "PNG", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub map: Option<PathBuf>,
    /// Replace the map if it exists
    #[arg(long, help_heading = "Output")]
    pub force: bool,
    /// Print JSON for another program
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// `preview`.
#[cfg(feature = "preview")]
#[derive(Debug, Args)]
pub struct PreviewArgs {
    /// Job file
    #[arg(value_name = "JOB", value_hint = ValueHint::FilePath)]
    pub job: PathBuf,
    /// Listen on this port [default: any free one]
    #[arg(long, value_name = "N", help_heading = "Running")]
    #[arg(value_parser = clap::value_parser!(u16).range(1..))]
    pub port: Option<u16>,
}

/// `check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Folder that facets made
    #[arg(value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub dir: PathBuf,
    /// Print JSON for another program
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// `join`.
#[derive(Debug, Args)]
pub struct JoinArgs {
    /// Folders that facets --facets made, in any order
    #[arg(value_name = "DIR", required = true, value_hint = ValueHint::DirPath)]
    pub parts: Vec<PathBuf>,
    /// Folder to make
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, help_heading = "Output")]
    pub out: PathBuf,
    /// Replace the folder if it exists
    #[arg(long, help_heading = "Output")]
    pub force: bool,
}

/// `completions`.
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// Shell
    #[arg(value_enum)]
    pub shell: Shell,
}

/// `manual`.
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// Folder for the pages, made if missing
    #[arg(value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub dir: PathBuf,
}

/// Facet numbers, ascending; a type of its own, as a plain list would be one option per number.
#[derive(Debug, Clone, PartialEq)]
pub struct FacetList(pub BTreeSet<usize>);

fn facet_list() -> ValueParser {
    ValueParser::new(|text: &str| parse_facets(text).map(FacetList).map_err(one_line))
}

fn length() -> ValueParser {
    ValueParser::new(|text: &str| {
        let mm = parse_mm(text).map_err(one_line)?;
        if mm > 0.0 {
            Ok(mm)
        } else {
            Err("a bit is thicker than nothing".to_owned())
        }
    })
}

fn memory() -> ValueParser {
    ValueParser::new(|text: &str| parse_bytes(text).map_err(one_line))
}

/// clap names the option and the value already.
fn one_line(problem: Problem) -> String {
    problem.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_option_table_has_no_contradictions() {
        Cli::command().debug_assert();
    }

    #[test]
    fn global_options_stand_before_or_after_the_command() {
        let words = "globewright --set a=1 facets job.toml --out x --set b=2 --facets 3,7-9 -q";
        let cli = Cli::try_parse_from(words.split(' ')).unwrap();
        assert!(cli.global.quiet);
        let Command::Facets(facets) = cli.command else {
            panic!("not facets");
        };
        assert_eq!(facets.facets, Some(FacetList([3, 7, 8, 9].into())));
    }
}
