//! Which files may be opened: those that the job names and, of the files that these name in turn,
//! those in or below the folder of the one that names them. Regular files only: a pipe would make
//! the program wait for ever, and a device or a web address is no grid.
//!
//! A virtual raster is never given to GDAL as it stands. It is read here and written out again from
//! what was understood, with the full names of files that passed; whatever else may stand in one
//! does not arrive.

use super::file_head::{head, holds, latin_1};
use super::refusals::{beside_by_name, canonical, elsewhere, renamed, unreadable};
use super::virtual_cells::{self, Found};
use super::{drivers, truncation};
use crate::model::error::{Error, Problem, Result};
use roxmltree::{Document, Node, NodeId, ParsingOptions};
use std::collections::HashMap;
use std::fmt::Write;
use std::fs::File;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// What GDAL is asked to open.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Name {
    /// A file.
    File(PathBuf),
    /// A variable in a file, as GDAL spells it.
    Subdataset(PathBuf),
    /// The XML of a virtual raster.
    Virtual(String),
}

impl Name {
    /// Length of what it names, with all sources of a virtual raster; 0 where that is not known.
    pub fn bytes(&self) -> u64 {
        let length = |path: &Path| path.metadata().map_or(0, |known| known.len());
        match self {
            Name::File(path) => length(path),
            Name::Subdataset(name) => {
                let text = name.to_string_lossy();
                Subdataset::of(&text).map_or(0, |part| length(Path::new(part.file)))
            }
            Name::Virtual(xml) => {
                let sources = xml.split("<SourceFilename").skip(1);
                let names = sources.filter_map(|rest| rest.split_once('>')?.1.split('<').next());
                names.map(|name| length(Path::new(name))).sum()
            }
        }
    }
}

/// Longest virtual raster read; a hundred thousand sources take half of it.
const MOST_XML_BYTES: u64 = 1 << 26;

/// Most sources of a virtual raster, those of virtual rasters within it counted too.
const MOST_SOURCES: usize = 100_000;

/// Virtual rasters within virtual rasters.
const MOST_NESTED: usize = 8;

/// Elements of a virtual raster within one another; real ones have ten.
const MOST_DEEP: usize = 40;

/// A virtual raster begins like this, before anything else of note.
const HEAD_BYTES: u64 = 8192;

/// Longest header in which files are named.
const MOST_HEADER_BYTES: u64 = 1 << 22;

/// Elements of virtual rasters that say where cells come from and what they mean.
const KEPT: &[&str] = &[
    "VRTDataset",
    "SRS",
    "GeoTransform",
    "VRTRasterBand",
    "NoDataValue",
    "HideNoDataValue",
    "Scale",
    "Offset",
    "UnitType",
    "SimpleSource",
    "ComplexSource",
    "AveragedSource",
    "KernelFilteredSource",
    "Kernel",
    "Size",
    "Coefs",
    "SourceFilename",
    "SourceBand",
    "SrcRect",
    "DstRect",
    "NODATA",
    "UseMaskBand",
    "ScaleOffset",
    "ScaleRatio",
    "LUT",
    // Of bands of raw files.
    "ImageOffset",
    "PixelOffset",
    "LineOffset",
    "ByteOrder",
];

/// Elements that change no cell; some of them name files.
const LEFT_OUT: &[&str] = &[
    "Metadata",
    "Description",
    "ColorInterp",
    "ColorTable",
    "CategoryNames",
    "Histograms",
    "OverviewList",
    "Overview",
    "SourceProperties",
];

const ATTRIBUTES: &[&str] = &[
    "rasterXSize",
    "rasterYSize",
    "subClass",
    "dataType",
    "band",
    "blockXSize",
    "blockYSize",
    "xOff",
    "yOff",
    "xSize",
    "ySize",
    "normalized",
    "resampling",
    "dataAxisToSRSAxisMapping",
];

/// Kinds of bands that compute nothing. A warp fills with zeros what it has no source for.
const CLASSES: &[&str] = &["VRTRasterBand", "VRTSourcedRasterBand", "VRTRawRasterBand"];

/// Decides which files may be opened.
pub(super) struct FileAccess {
    /// The job's own files, with symbolic links followed.
    named: Vec<PathBuf>,
    /// Sources of virtual rasters met so far.
    met: usize,
    /// By folder: names of what is neither a file nor a folder.
    odd: HashMap<PathBuf, Vec<String>>,
}

impl FileAccess {
    /// For the files of a job.
    pub fn new(files: &[PathBuf]) -> FileAccess {
        FileAccess {
            named: files
                .iter()
                .filter_map(|file| std::fs::canonicalize(file).ok())
                .collect(),
            met: 0,
            odd: HashMap::new(),
        }
    }

    /// What to ask GDAL for when the job names this file.
    pub fn resolve(&mut self, path: &Path) -> Result<Name> {
        self.met = 0;
        if let Some(part) = Subdataset::of(&path.to_string_lossy()) {
            let file = self.file(Path::new(part.file), None)?;
            return part.in_file(&file).map(Name::Subdataset);
        }
        let file = self.file(path, None)?;
        if is_virtual(&file) {
            return self.rewritten(&file, 0).map(Name::Virtual);
        }
        Ok(Name::File(file))
    }

    /// The full name of a regular file whose neighbours are harmless as well. One that another
    /// file names must lie in or below that one's folder.
    fn file(&mut self, path: &Path, named_in: Option<&Path>) -> Result<PathBuf> {
        let file = regular(path)?;
        if let Some(parent) = named_in {
            let real = canonical(&file)?;
            let folder = canonical(parent)?.parent().map(Path::to_owned);
            if !folder.is_some_and(|folder| real.starts_with(folder)) && !self.named.contains(&real)
            {
                return Err(elsewhere(path, parent));
            }
        }
        self.look_around(&file)?;
        if !is_virtual(&file) {
            self.check_references(&file)?;
        }
        Ok(file)
    }

    /// GDAL opens files beside a grid by its name and other endings.
    fn look_around(&mut self, file: &Path) -> Result<()> {
        let (Some(folder), Some(stem)) = (file.parent(), file.file_stem()) else {
            return Ok(());
        };
        let stem = stem.to_string_lossy().to_lowercase();
        let odd = self.odd.entry(folder.to_owned()).or_insert_with(|| {
            std::fs::read_dir(folder)
                .into_iter()
                .flatten()
                .filter_map(|entry| {
                    let entry = entry.ok()?;
                    let plain = |t: std::fs::FileType| t.is_file() || t.is_dir();
                    let kind = entry.file_type().ok()?;
                    let odd = !plain(kind)
                        && std::fs::metadata(entry.path()).is_ok_and(|m| !plain(m.file_type()));
                    odd.then(|| entry.file_name().to_string_lossy().to_lowercase())
                })
                .collect()
        });
        match odd.iter().find(|name| name.starts_with(&stem)) {
            None => Ok(()),
            Some(name) => Err(Error::Grid(
                Problem::new("something beside the grid bears its name and is no file")
                    .found(format!("\"{name}\""))
                    .next("move the grid into a folder of its own")
                    .file(file),
            )),
        }
    }

    /// Headers that name the file of their cells name one beside them, which names no other.
    fn check_references(&mut self, file: &Path) -> Result<()> {
        for name in references(file) {
            let there = beside_by_name(file, &name)?;
            if there == *file || std::fs::symlink_metadata(&there).is_err() {
                continue;
            }
            let there = regular(&there)?;
            if is_virtual(&there) || !references(&there).is_empty() {
                return Err(Error::Grid(
                    Problem::new("the file that a header names leads on to further files")
                        .found(format!("\"{name}\""))
                        .allowed("a file with cells")
                        .file(file),
                ));
            }
            self.look_around(&there)?;
        }
        Ok(())
    }

    /// A virtual raster, written again from what was understood of it.
    fn rewritten(&mut self, file: &Path, nested: usize) -> Result<String> {
        let trouble = |what: &str| Error::Grid(Problem::new(what).file(file));
        if nested > MOST_NESTED {
            return Err(Error::Grid(
                Problem::new("virtual rasters lie too deep in one another")
                    .allowed(format!("{MOST_NESTED} within one another"))
                    .next("name their sources in one file")
                    .file(file),
            ));
        }
        let bytes = std::fs::metadata(file)
            .map_err(|e| Error::io(file, "read", &e))?
            .len();
        if bytes > MOST_XML_BYTES {
            return Err(Error::Grid(
                Problem::new("the virtual raster is too long")
                    .found(format!("{bytes} bytes"))
                    .allowed(format!("{MOST_XML_BYTES} bytes"))
                    .next("name its sources as files under [grid] instead")
                    .file(file),
            ));
        }
        let text = std::fs::read_to_string(file)
            .map_err(|_| trouble("the virtual raster is no text in UTF-8"))?;
        if depth_of(&text) > MOST_DEEP {
            return Err(trouble(
                "the virtual raster's elements lie too deep in one another",
            ));
        }
        let options = ParsingOptions {
            nodes_limit: 4_000_000,
            ..ParsingOptions::default()
        };
        let document = Document::parse_with_options(&text, options)
            .map_err(|e| trouble(&format!("the virtual raster is no well-formed XML: {e}")))?;
        let mut out = String::new();
        let mut writer = Rewriter {
            access: self,
            file,
            nested,
            out: &mut out,
            found: HashMap::new(),
        };
        writer.element(document.root_element(), 0)?;
        virtual_cells::check(&document, &writer.found, file)?;
        Ok(out)
    }

    /// A source of a virtual raster: what to write in its place and behind it, and what it was
    /// found to be. `band`: which of its bands is used, none of a raw file.
    fn source(
        &mut self,
        path: &Path,
        parent: &Path,
        band: Option<usize>,
        nested: usize,
    ) -> Result<(String, String, Found)> {
        self.met += 1;
        if self.met > MOST_SOURCES {
            return Err(Error::Grid(
                Problem::new("the virtual raster has too many sources")
                    .allowed(format!("{MOST_SOURCES}"))
                    .next("name its sources as files under [grid] instead")
                    .file(parent),
            ));
        }
        let (path, name) = match Subdataset::of(&path.to_string_lossy()) {
            None => (self.file(path, Some(parent))?, None),
            Some(part) => {
                let folder = parent.parent().unwrap_or(parent);
                let file = self.file(&folder.join(part.file), Some(parent))?;
                let name = part.in_file(&file)?;
                (file, Some(name))
            }
        };
        let Some(band) = band else {
            let found = Found {
                path: path.clone(),
                ..Found::default()
            };
            return Ok((spelled(&path)?, String::new(), found));
        };
        let unreadable = |e| unreadable(&path, &e);
        let (written, dataset) = match &name {
            Some(name) => (name.to_string_lossy().into_owned(), drivers::open(name)),
            None if is_virtual(&path) => {
                let xml = self.rewritten(&path, nested + 1)?;
                let dataset = drivers::open_virtual(&xml);
                (xml, dataset)
            }
            None => (spelled(&path)?, drivers::open(&path)),
        };
        let dataset = dataset.map_err(unreadable)?;
        truncation::check(&dataset, &path)?;
        let band = dataset.rasterband(band).map_err(unreadable)?;
        let ((columns, rows), (wide, high)) = (dataset.raster_size(), band.block_size());
        let found = Found {
            columns: columns as f64,
            rows: rows as f64,
            no_data: band.no_data_value(),
            path: path.clone(),
        };
        // With these GDAL opens a source only when it is read.
        let properties = match written.starts_with('<') {
            true => String::new(),
            false => format!(
                "<SourceProperties RasterXSize=\"{columns}\" RasterYSize=\"{rows}\" \
                 DataType=\"{}\" BlockXSize=\"{wide}\" BlockYSize=\"{high}\"/>",
                band.band_type().name()
            ),
        };
        Ok((written, properties, found))
    }
}

/// Writes a virtual raster again.
struct Rewriter<'a> {
    access: &'a mut FileAccess,
    file: &'a Path,
    nested: usize,
    out: &'a mut String,
    /// The sources met, by the element that names them.
    found: HashMap<NodeId, Found>,
}

impl Rewriter<'_> {
    fn element(&mut self, node: Node<'_, '_>, deep: usize) -> Result<()> {
        let name = node.tag_name().name();
        if LEFT_OUT.contains(&name) {
            return Ok(());
        }
        if !KEPT.contains(&name) || (deep == 0) != (name == "VRTDataset") {
            return Err(self.refused(format!("<{name}>")));
        }
        if let Some(class) = node.attribute("subClass")
            && !CLASSES.contains(&class)
        {
            return Err(self.refused(format!("subClass=\"{class}\"")));
        }
        if name == "SourceFilename" {
            return self.source(node, name);
        }
        let text = text_of(node);
        if name.ends_with("SRS") && !is_definition(&text) {
            return Err(self.refused(format!("<{name}>{text}")));
        }
        self.open(name);
        for attribute in node.attributes() {
            if ATTRIBUTES.contains(&attribute.name()) {
                // Fails never: it is written to memory.
                let _ = write!(
                    self.out,
                    " {}=\"{}\"",
                    attribute.name(),
                    escaped(attribute.value())
                );
            }
        }
        self.out.push('>');
        self.out.push_str(&escaped(&text));
        for child in node.children().filter(Node::is_element) {
            self.element(child, deep + 1)?;
        }
        self.close(name);
        Ok(())
    }

    fn source(&mut self, node: Node<'_, '_>, name: &str) -> Result<()> {
        let text = text_of(node);
        let relative = node
            .attributes()
            .any(|a| a.name().eq_ignore_ascii_case("relativeToVRT") && a.value() == "1");
        refuse_network(&text).map_err(|e| renamed(e, self.file))?;
        let folder = self.file.parent().unwrap_or(self.file);
        let path = match relative && Subdataset::of(&text).is_none() {
            true => folder.join(&text),
            false => PathBuf::from(&text),
        };
        let parent = node.parent_element();
        let raw = parent.is_some_and(|p| p.attribute("subClass") == Some("VRTRawRasterBand"));
        let band = parent.into_iter().flat_map(|parent| parent.children());
        let band = band
            .filter(|child| child.has_tag_name("SourceBand"))
            .map(text_of)
            .next();
        let band = band.map_or(Ok(1), |text| {
            let number = text.parse().ok();
            number.ok_or_else(|| self.refused(format!("<SourceBand>{text}")))
        })?;
        let file = self.file.to_owned();
        let band = (!raw).then_some(band);
        let (source, properties, found) = self.access.source(&path, &file, band, self.nested)?;
        self.found.insert(node.id(), found);
        self.open(name);
        self.out.push_str(" relativeToVRT=\"0\">");
        self.out.push_str(&escaped(&source));
        self.close(name);
        self.out.push_str(&properties);
        Ok(())
    }

    fn open(&mut self, name: &str) {
        self.out.push('<');
        self.out.push_str(name);
    }

    fn close(&mut self, name: &str) {
        self.out.push_str("</");
        self.out.push_str(name);
        self.out.push('>');
    }

    fn refused(&self, found: String) -> Error {
        Error::Grid(
            Problem::new("the virtual raster holds something that is not followed")
                .found(found)
                .allowed("sources, their places and scales")
                .next("copy it into a GeoTIFF with gdal_translate first")
                .file(self.file),
        )
    }
}

/// How deep the elements of an XML text lie in one another, at least: its reader calls itself for
/// each.
fn depth_of(text: &str) -> usize {
    let (mut depth, mut deepest) = (0usize, 0);
    let mut rest = text;
    while let Some(at) = rest.find('<') {
        rest = &rest[at..];
        let passed = [("<!--", "-->"), ("<![CDATA[", "]]>"), ("<?", "?>")]
            .into_iter()
            .find(|(start, _)| rest.starts_with(start));
        if let Some((_, end)) = passed {
            rest = rest.split_once(end).map_or("", |(_, rest)| rest);
            continue;
        }
        // The end of the tag, which is not one within quotation marks.
        let mut quote = None;
        let end = rest.find(|c| {
            match (quote, c) {
                (None, '"' | '\'') => quote = Some(c),
                (Some(open), c) if c == open => quote = None,
                _ => {}
            }
            quote.is_none() && c == '>'
        });
        let (tag, after) = rest.split_at(end.unwrap_or(rest.len()));
        rest = after;
        if tag.starts_with("</") {
            depth = depth.saturating_sub(1);
        } else if !tag.ends_with('/') {
            depth += 1;
            deepest = deepest.max(depth);
        }
    }
    deepest
}

/// Text of an element itself.
fn text_of(node: Node<'_, '_>) -> String {
    let texts = node.children().filter(Node::is_text);
    let text: String = texts.filter_map(|text| text.text()).collect();
    text.trim().to_owned()
}

/// A coordinate system spelled out or by its number, rather than where one is to be found.
fn is_definition(text: &str) -> bool {
    let word = text
        .find(|c: char| !c.is_ascii_alphanumeric() && c != '_')
        .unwrap_or(text.len());
    let (word, rest) = text.split_at(word);
    let code = |code: &str| code.bytes().all(|b| b.is_ascii_alphanumeric());
    let spelled = rest.starts_with(['[', '(']) && rest.ends_with([']', ')']);
    let listed = word.is_empty() && rest.starts_with("+proj=");
    let numbered = !word.is_empty() && rest.strip_prefix(':').is_some_and(code);
    text.is_empty() || ((spelled || listed || numbered) && !text.contains("grids="))
}

/// A variable in a file: `NETCDF:"file":name`, `HDF5:"file"://name`, or without the quotes.
pub(super) struct Subdataset<'a> {
    kind: &'static str,
    pub file: &'a str,
    rest: &'a str,
}

impl<'a> Subdataset<'a> {
    pub fn of(text: &'a str) -> Option<Subdataset<'a>> {
        let (kind, rest) = text.split_once(':')?;
        let kind = ["NETCDF", "HDF5"]
            .into_iter()
            .find(|known| known.eq_ignore_ascii_case(kind))?;
        let (file, rest) = match rest.strip_prefix('"') {
            Some(quoted) => {
                let (file, rest) = quoted.split_once('"')?;
                (file, rest.strip_prefix(':')?)
            }
            None if kind == "HDF5" => rest.split_once(':')?,
            None => rest.rsplit_once(':')?,
        };
        Some(Subdataset { kind, file, rest })
    }

    fn in_file(&self, file: &Path) -> Result<PathBuf> {
        let Subdataset { kind, rest, .. } = self;
        Ok(format!("{kind}:\"{}\":{rest}", spelled(file)?).into())
    }
}

/// The file that holds a part a dataset lists of itself, if it lies in `file`.
pub(super) fn is_subdataset_of(name: &str, file: &Path) -> bool {
    Subdataset::of(name).is_some_and(|part| Path::new(part.file) == file)
}

/// A name as text, for places where GDAL takes nothing else.
fn spelled(file: &Path) -> Result<String> {
    match file.to_str().filter(|text| !text.contains('"')) {
        Some(text) => Ok(text.to_owned()),
        None => Err(Error::Grid(
            Problem::new("the file's name has quotation marks or bytes that are no text in it")
                .next("rename it, or its folder")
                .file(file),
        )),
    }
}

/// Files that the header of a raster names: ER Mapper, ISIS cubes and PDS4.
fn references(file: &Path) -> Vec<String> {
    let Ok(bytes) = head(file, HEAD_BYTES) else {
        return Vec::new();
    };
    let [mapper, cube, archive] =
        ["DatasetHeader", "^", "Product_Observational"].map(|mark| holds(&bytes, mark));
    let text_alone = !bytes.contains(&0);
    if !(mapper || archive || (cube && (holds(&bytes, "Isis") || holds(&bytes, "QUBE")))) {
        return Vec::new();
    }
    if !text_alone && !cube {
        return Vec::new();
    }
    let Ok(bytes) = head(file, MOST_HEADER_BYTES) else {
        return Vec::new();
    };
    let text = latin_1(&bytes);
    let lower = text.to_ascii_lowercase();
    let mut found = Vec::new();
    // What stands behind every mark: up to the end of the line, or of the element.
    let mut collect = |mark: &str, end: char| {
        for (at, _) in lower.match_indices(mark) {
            let rest = &text[at + mark.len()..];
            let value = rest.split([end, '\n', '\r']).next().unwrap_or_default();
            found.push(value.to_owned());
        }
    };
    if archive {
        collect("file_name>", '<');
        collect("file_name >", '<');
    }
    if mapper {
        collect("datafile", '\n');
    }
    if cube {
        collect("^", '\n');
    }
    found
        .iter()
        .filter_map(|value| {
            // `key = ("name", 3)`, `= "name"`, `= name`
            let value = value.split_once('=').map_or(value.as_str(), |(_, v)| v);
            let value = value.trim().trim_start_matches(['(', '{', ' ']);
            let value = match value.chars().next()? {
                quote @ ('"' | '\'') => value[1..].split(quote).next()?,
                _ => value.split([',', ')', ' ', '<']).next()?,
            };
            let counts = value.is_empty() || value.parse::<f64>().is_ok();
            (!counts).then(|| value.to_owned())
        })
        .collect()
}

/// Whether GDAL could take a file for a virtual raster.
fn is_virtual(file: &Path) -> bool {
    head(file, HEAD_BYTES).is_ok_and(|head| holds(&head, "<VRTDataset"))
}

/// Text as XML content or attribute.
fn escaped(text: &str) -> String {
    super::labels::escaped(text).replace('"', "&quot;")
}

/// Names that lead off this machine, or into GDAL's own kinds of files.
fn refuse_network(name: &str) -> Result<()> {
    if !name.contains("://") && !name.starts_with("/vsi") || Subdataset::of(name).is_some() {
        return Ok(());
    }
    Err(Error::Grid(
        Problem::new("grids are read from this machine only")
            .setting("grid.files")
            .found(format!("\"{name}\""))
            .allowed("files on a local disk")
            .next("download the file first"),
    ))
}

/// The full name of a regular file that may be read; tells a missing file from one that may not,
/// before GDAL says the same of both.
fn regular(path: &Path) -> Result<PathBuf> {
    let trouble = |what: String, next: &str| {
        Err(Error::Grid(
            Problem::new(what)
                .setting("grid.files")
                .next(next)
                .file(path),
        ))
    };
    refuse_network(&path.to_string_lossy())?;
    // Looked at before it is opened: to open a pipe is to wait for whoever writes into it.
    let kind = match std::fs::metadata(path) {
        Ok(found) => found,
        Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
            // "C:\new\terrain.tif" in double quotes holds a line break and a tab.
            let escaped = path.to_string_lossy().chars().any(char::is_control);
            return trouble(
                "the grid file is missing".to_owned(),
                match escaped {
                    true => "write / for every \\ in its name, or put it in single quotes",
                    false => "check its name; names in a job file count from the job file's folder",
                },
            );
        }
        Err(e) => {
            return trouble(
                format!("the grid file cannot be read: {e}"),
                "check its permissions",
            );
        }
    };
    if kind.is_dir() {
        return trouble(
            "the name is a folder's, not a file's".to_owned(),
            "name the grid file inside it",
        );
    }
    if !kind.is_file() {
        return trouble(
            "the name is that of a device or a pipe, not of a file".to_owned(),
            "save the grid in a file first",
        );
    }
    if let Err(e) = File::open(path) {
        return trouble(
            format!("the grid file cannot be read: {e}"),
            "check its permissions",
        );
    }
    if kind.len() == 0 {
        return trouble(
            "the grid file is empty".to_owned(),
            "copy or download it again",
        );
    }
    // With its folder, so that no name can be taken for anything but a file's.
    let file = std::path::absolute(path).map_err(|e| Error::io(path, "find", &e))?;
    refuse_network(&file.to_string_lossy())?;
    Ok(file)
}
