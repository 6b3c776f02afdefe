//! Parts of a job, made on several machines, as one: whose facets belong together, and whether
//! none is missing.

use crate::carve::cutting::{CuttingEntry, FacetCutting};
use crate::commands::check;
use crate::commands::facets::{Summary, refuse_undercuts};
use crate::commands::finalise::{Finalise, Trace};
use crate::model::geometry::Solid;
use crate::model::parallel;
use crate::model::progress::Progress;
use crate::model::ranges::facets_text;
use crate::output::folder::NewFolder;
use crate::output::folder::{self, RELIEF_FILE, SHOP_FILE, SHOP_SECTION};
use crate::output::json_value;
use crate::output::manifest::file::{self, Seal};
use crate::output::manifest::{FacetEntry, FileEntry, MANIFEST_FILE, Manifest};
use crate::show::sheets::{self, Planned};
use crate::{Error, Problem, Result};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Longest value that an error prints, characters.
const LONGEST_VALUE: usize = 60;

/// Merges folders that each hold some facets of one job into the folder that one run would have
/// written, byte for byte. The order of the parts is no matter.
///
/// # Errors
/// As [`gather`]; [`Error::Check`] when an image is damaged or is not what its manifest says;
/// [`Error::Disk`]. The folder then is not there, or as it was.
pub fn join(
    parts: &[PathBuf],
    out: &Path,
    force: bool,
    progress: &dyn Progress,
) -> Result<Summary> {
    let Gathered {
        mut manifest,
        folders,
        others,
        shop,
    } = gather(parts)?;
    let folder = NewFolder::begin(out, force, progress)?;
    let finalise = Finalise::of(&manifest);
    let copy = |i: usize| -> Result<(usize, Trace)> {
        let (facet, part) = (&manifest.facets[i], &folders[i]);
        folder.write(&facet.file, &image_bytes(part, facet)?)?;
        // The copy is what is measured, so what is measured is what is kept.
        let image = check::sound_image(&folder.path().join(&facet.file), &manifest, facet)
            .map_err(|what| damaged(&part.join(&facet.file), facet, &what))?;
        folder.note_pixels(&facet.file, &image.levels);
        finalise.write_blank(facet, &image.levels, &folder)?;
        progress.step(1);
        Ok((facet.id, finalise.trace(facet, &image.levels)))
    };
    progress.start("joining facets", manifest.facets.len() as u64);
    let traces = parallel::try_indexed(folders.len(), &copy)?;
    let traces = traces.into_iter().collect();
    progress.done();
    for (file, part) in &others {
        folder.write(file, &file_bytes(part, file)?)?;
    }
    unchanged(parts, &manifest, &folder)?;
    let warnings = finalise.write(&mut manifest, traces, shop.as_ref(), &folder)?;
    refuse_undercuts(&manifest)?;
    folder.finish()?;
    Ok(Summary {
        manifest,
        warnings,
        shop_warnings: shop.map_or(Vec::new(), |shop| shop.warnings),
    })
}

/// Whether parts are what their runs wrote, as far as they list it: what is joined is listed anew,
/// and would pass for whole. Images that were saved again are as good as those that were written.
///
/// # Errors
/// [`Error::Check`] with the first file that is not.
fn unchanged(parts: &[PathBuf], manifest: &Manifest, folder: &NewFolder) -> Result<()> {
    let wrong = |file: &str, place: &Path| {
        Err(Error::Check(
            Problem::new(format!("{file} is not what was written"))
                .next("make this part again")
                .file(place),
        ))
    };
    for part in parts {
        let (manifest, text) = file::read_with_text(part)?;
        if file::seal(&text, &manifest) == Seal::Broken {
            return wrong(MANIFEST_FILE, part);
        }
    }
    manifest
        .files
        .iter()
        .for_each(|listed| folder.note_pixels_of(listed));
    for copy in folder.written() {
        let same = |listed: &FileEntry| {
            let pixels = listed.pixels_sha256.is_some();
            listed.sha256 == copy.sha256 || pixels && listed.pixels_sha256 == copy.pixels_sha256
        };
        let mut listed = manifest.files.iter().filter(|one| one.file == copy.file);
        if let Some(other) = listed.find(|listed| !same(listed)) {
            let places = parts.iter().map(|part| part.join(&other.file));
            let place = places.into_iter().find(|place| place.exists());
            return wrong(&other.file, &place.unwrap_or_else(|| parts[0].clone()));
        }
    }
    Ok(())
}

/// All facets of a job, and where their images are.
#[derive(Debug, Clone, PartialEq)]
pub struct Gathered {
    /// As a whole run's, but for what is measured over all images: `checks` and `warnings`; its
    /// `files` are those of all parts.
    pub manifest: Manifest,
    /// The folder that holds each facet's image, in the manifest's order.
    pub folders: Vec<PathBuf>,
    /// Files beside the images, with the folder that holds each.
    pub others: BTreeMap<String, PathBuf>,
    /// The shop plan, which every part then holds whole.
    pub shop: Option<Planned>,
}

/// Reads the manifests of all parts and puts them together; the order of the parts is no matter.
///
/// A facet may be in several parts when all say the same of it and hold the same image.
///
/// # Errors
/// [`Error::Job`] when the parts are of different jobs, with the first field that differs;
/// [`Error::Check`] when a part's manifest is damaged, when a facet differs between parts, or when
/// facets are missing; [`Error::Disk`] when a part cannot be read.
pub fn gather(parts: &[PathBuf]) -> Result<Gathered> {
    let manifests = parts
        .iter()
        .map(|part| sound_manifest(part))
        .collect::<Result<Vec<Manifest>>>()?;
    let Some(first) = manifests.first() else {
        return Err(Error::Job(
            Problem::new("there is nothing to join")
                .allowed("folders made by `globewright facets --facets`")
                .next("name them"),
        ));
    };
    // Before the numbers, in which a kept relief shows: the options say it plainer.
    let relief = |part: &Path| {
        let file = PathBuf::from(RELIEF_FILE);
        part.join(&file).exists().then(|| vec![file])
    };
    let shop_files = whole_in_all(parts, folder::shop_files)?;
    let relief_file = whole_in_all(parts, relief)?;
    for (part, manifest) in parts.iter().zip(&manifests).skip(1) {
        same_job((&parts[0], first), (part, manifest))?;
    }
    let mut facets: BTreeMap<usize, (&FacetEntry, &PathBuf)> = BTreeMap::new();
    for (part, manifest) in parts.iter().zip(&manifests) {
        for facet in &manifest.facets {
            match facets.get(&facet.id) {
                Some(&other) => same_facet(other, (facet, part))?,
                None => drop(facets.insert(facet.id, (facet, part))),
            }
        }
    }
    nothing_missing(&first.globe.solid, &facets, &parts[0])?;
    let (cutting, mut others) = cutting(parts, &manifests)?;
    let shop = shop(parts, shop_files, &mut others)?;
    same_in_all(parts, &relief_file.unwrap_or_default(), &mut others)?;
    let manifest = Manifest {
        cutting,
        facets: facets.values().map(|(facet, _)| (*facet).clone()).collect(),
        warnings: Vec::new(),
        files: manifests
            .iter()
            .flat_map(|part| part.files.clone())
            .collect(),
        ..first.clone()
    };
    Ok(Gathered {
        manifest,
        folders: facets.values().map(|(_, part)| (*part).clone()).collect(),
        others,
        shop,
    })
}

/// The shop plan, which depends on the job alone and so is the same in every part.
fn shop(
    parts: &[PathBuf],
    files: Option<Vec<PathBuf>>,
    others: &mut BTreeMap<String, PathBuf>,
) -> Result<Option<Planned>> {
    let Some(files) = files else {
        return Ok(None);
    };
    same_in_all(parts, &files, others)?;
    let text = |file: &str| -> Result<String> {
        Ok(String::from_utf8_lossy(&file_bytes(&parts[0], file)?).into_owned())
    };
    let numbers: Value = serde_json::from_str(&text(SHOP_FILE)?).map_err(|error| {
        Error::Check(
            Problem::new(format!("the shop plan's numbers are damaged: {error}"))
                .file(parts[0].join(SHOP_FILE))
                .next("make this part again"),
        )
    })?;
    let warnings = numbers["warnings"].as_array().into_iter().flatten();
    Ok(Some(Planned {
        report: text(SHOP_SECTION)?,
        drawings: sheets::shown(&files, |file| text(&file.to_string_lossy()))?,
        warnings: warnings
            .filter_map(|warning| warning.as_str().map(str::to_owned))
            .collect(),
    }))
}

/// What every part lists, or none does.
fn whole_in_all(
    parts: &[PathBuf],
    listed: impl Fn(&Path) -> Option<Vec<PathBuf>>,
) -> Result<Option<Vec<PathBuf>>> {
    let lists: Vec<Option<Vec<PathBuf>>> = parts.iter().map(|part| listed(part)).collect();
    let with = lists.iter().position(Option::is_some);
    let without = lists.iter().position(Option::is_none);
    let (Some(with), Some(without)) = (with, without) else {
        return Ok(lists.into_iter().next().flatten());
    };
    let first = lists[with].iter().flatten().next();
    let first = first.map_or_else(String::new, |file| file.display().to_string());
    let option = match first == RELIEF_FILE {
        true => "--keep-relief",
        false => "--shop",
    };
    Err(Error::Job(
        Problem::new(format!("only some parts were made with {option}"))
            .found(format!(
                "{first} in {} and not in {}",
                parts[with].display(),
                parts[without].display()
            ))
            .next(format!("make all parts with {option} or none")),
    ))
}

/// Notes files that every part must hold alike, as the first part's.
fn same_in_all(
    parts: &[PathBuf],
    files: &[PathBuf],
    others: &mut BTreeMap<String, PathBuf>,
) -> Result<()> {
    for file in files {
        let name = file.to_string_lossy().into_owned();
        if !file::stays_inside(file) {
            return Err(not_inside(&name, &parts[0]));
        }
        let first = file_bytes(&parts[0], &name)?;
        for part in &parts[1..] {
            if file_bytes(part, &name)? != first {
                return Err(not_the_same(&name, &parts[0], part));
            }
        }
        others.insert(name, parts[0].clone());
    }
    Ok(())
}

fn not_inside(file: &str, part: &Path) -> Error {
    Error::Check(
        Problem::new(format!("the file \"{file}\" is not inside the folder"))
            .next("make this part again")
            .file(part),
    )
}

fn not_the_same(file: &str, a: &Path, b: &Path) -> Error {
    Error::Check(
        Problem::new(format!(
            "{file} is in two parts and is not the same in both"
        ))
        .found(format!("{} and {}", a.display(), b.display()))
        .next("make it again, and join without the older part"),
    )
}

/// A part's manifest, once it agrees with itself.
fn sound_manifest(part: &Path) -> Result<Manifest> {
    let manifest = file::read(part)?;
    match check::disagreement(&manifest) {
        None => Ok(manifest),
        Some(line) => Err(Error::Check(
            Problem::new(format!("{}: {}", line.subject, line.found))
                .next("make this part again")
                .file(part),
        )),
    }
}

/// Everything but what is said of single facets, or of all the facets a part has, must be equal.
fn same_job(a: (&Path, &Manifest), b: (&Path, &Manifest)) -> Result<()> {
    let common = |manifest: &Manifest| -> Result<Value> {
        let mut value = json_value(manifest)?;
        if let Some(cutting) = value.get_mut("cutting").and_then(Value::as_object_mut) {
            cutting.retain(|name, _| !["facets", "rings", "total_min"].contains(&name.as_str()));
        }
        if let Some(fields) = value.as_object_mut() {
            fields.retain(|name, _| {
                !["facets", "checks", "warnings", "files"].contains(&name.as_str())
            });
        }
        Ok(value)
    };
    let (common_a, common_b) = (common(a.1)?, common(b.1)?);
    // A different setting changes much else; it alone is worth reading.
    for first in ["program", "job"] {
        differ(first, &common_a[first], &common_b[first])
            .map_or(Ok(()), |what| Err(different_jobs(what, a.0, b.0)))?;
    }
    differ("", &common_a, &common_b).map_or(Ok(()), |what| Err(different_jobs(what, a.0, b.0)))
}

fn different_jobs(what: Difference, a: &Path, b: &Path) -> Error {
    Error::Job(
        Problem::new(format!(
            "the parts are of different jobs: {} differs",
            what.field
        ))
        .found(what.values(a, b))
        .next(
            "make all parts with the same program, job file and grid, or join only those that \
                 belong together",
        ),
    )
}

fn same_facet(a: (&FacetEntry, &PathBuf), b: (&FacetEntry, &PathBuf)) -> Result<()> {
    let wrong = |found: String| {
        Err(Error::Check(
            Problem::new(format!(
                "facet {} is in two parts and is not the same in both",
                a.0.label
            ))
            .found(found)
            .next("make it again, and join without the older part"),
        ))
    };
    let (entry_a, entry_b) = (json_value(a.0)?, json_value(b.0)?);
    if let Some(what) = differ("", &entry_a, &entry_b) {
        return wrong(format!("{} {}", what.field, what.values(a.1, b.1)));
    }
    if image_bytes(a.1, a.0)? != image_bytes(b.1, b.0)? {
        return wrong(format!(
            "different images in {} and {}",
            a.1.display(),
            b.1.display()
        ));
    }
    Ok(())
}

/// A facet's image as it is in its part.
///
/// # Errors
/// [`Error::Check`] when it is missing, [`Error::Disk`] when it cannot be read.
pub fn image_bytes(part: &Path, facet: &FacetEntry) -> Result<Vec<u8>> {
    let path = part.join(&facet.file);
    std::fs::read(&path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => damaged(&path, facet, "the image is missing"),
        _ => Error::io(&path, "read the image", &error),
    })
}

/// What is wrong with a facet's image in a part.
pub fn damaged(path: &Path, facet: &FacetEntry, what: &str) -> Error {
    Error::Check(
        Problem::new(format!("facet {}: {what}", facet.label))
            .next(format!("make it again with --facets {}", facet.id))
            .file(path),
    )
}

/// What the bits do on all facets, and their files.
fn cutting(
    parts: &[PathBuf],
    manifests: &[Manifest],
) -> Result<(Option<CuttingEntry>, BTreeMap<String, PathBuf>)> {
    let Some(first) = manifests.first().and_then(|first| first.cutting.clone()) else {
        return Ok((None, BTreeMap::new()));
    };
    let mut facets: BTreeMap<usize, (&FacetCutting, &PathBuf)> = BTreeMap::new();
    let mut rings = BTreeSet::new();
    let mut files = BTreeMap::new();
    let entries = manifests.iter().filter_map(|part| part.cutting.as_ref());
    for (part, entry) in parts.iter().zip(entries) {
        for facet in &entry.facets {
            let &mut (other, other_part) = facets.entry(facet.id).or_insert((facet, part));
            if facet != other {
                return Err(Error::Check(
                    Problem::new(format!(
                        "what the bits do on facet {} is not the same in two parts",
                        facet.label
                    ))
                    .found(format!("{} and {}", other_part.display(), part.display()))
                    .next("make it again, and join without the older part"),
                ));
            }
        }
        rings.extend(entry.rings.iter().cloned());
        for file in entry.files() {
            if !file::stays_inside(Path::new(file)) {
                return Err(not_inside(file, part));
            }
            let holder = files.entry(file.to_owned()).or_insert_with(|| part.clone());
            if holder != part && file_bytes(holder, file)? != file_bytes(part, file)? {
                return Err(not_the_same(file, holder, part));
            }
        }
    }
    let facets: Vec<FacetCutting> = facets
        .into_values()
        .map(|(facet, _)| facet.clone())
        .collect();
    // All of them or none: a whole run is asked once.
    let carved = |facet: &FacetCutting| facet.carved_file.is_some();
    if let Some(other) = facets
        .iter()
        .find(|facet| carved(facet) != carved(&facets[0]))
    {
        return Err(Error::Job(
            Problem::new("only some parts hold images of what the bit leaves")
                .found(format!("facets {} and {}", facets[0].label, other.label))
                .next("make all parts with --carved or none"),
        ));
    }
    Ok((Some(first.with(facets, rings.into_iter().collect())), files))
}

/// A file of a part.
///
/// # Errors
/// [`Error::Disk`] when it cannot be read.
pub fn file_bytes(part: &Path, file: &str) -> Result<Vec<u8>> {
    let path = part.join(file);
    std::fs::read(&path).map_err(|error| Error::io(&path, "read the file", &error))
}

fn nothing_missing(
    solid: &str,
    facets: &BTreeMap<usize, (&FacetEntry, &PathBuf)>,
    part: &Path,
) -> Result<()> {
    let Some(count) = Solid::named(solid).map(|solid| solid.faces.len()) else {
        return Err(Error::Check(
            Problem::new("the manifest names no solid that is known")
                .setting("globe.solid")
                .found(format!("\"{solid}\""))
                .next("make this part again")
                .file(part),
        ));
    };
    if let Some((facet, part)) = facets.values().find(|(facet, _)| facet.id > count) {
        return Err(Error::Check(
            Problem::new(format!("the {solid} has no such facet"))
                .found(facet.id)
                .allowed(format!("1 to {count}"))
                .next("make this part again")
                .file(*part),
        ));
    }
    let missing: Vec<usize> = (1..=count).filter(|id| !facets.contains_key(id)).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let list = facets_text(&missing);
    Err(Error::Check(
        Problem::new(match missing.len() {
            1 => format!("facet {list} is in none of the parts"),
            _ => format!("facets {list} are in none of the parts"),
        })
        .next(format!(
            "make them with --facets {list}, and join that folder too"
        )),
    ))
}

/// Two values of one field.
struct Difference {
    field: String,
    values: [String; 2],
}

impl Difference {
    fn values(&self, a: &Path, b: &Path) -> String {
        let [value_a, value_b] = &self.values;
        format!(
            "{value_a} in {} and {value_b} in {}",
            a.display(),
            b.display()
        )
    }
}

/// The first field, in order of names, in which two trees differ.
fn differ(path: &str, a: &Value, b: &Value) -> Option<Difference> {
    if a == b {
        return None;
    }
    match (a, b) {
        (Value::Object(a), Value::Object(b)) => {
            let names = a
                .keys()
                .chain(b.keys().filter(|name| !a.contains_key(*name)));
            let dot = if path.is_empty() { "" } else { "." };
            names
                .into_iter()
                .find_map(|name| differ(&format!("{path}{dot}{name}"), at(a, name), at(b, name)))
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => a
            .iter()
            .zip(b)
            .enumerate()
            .find_map(|(i, (a, b))| differ(&format!("{path}[{i}]"), a, b)),
        _ => Some(Difference {
            field: path.to_owned(),
            values: [a, b].map(brief),
        }),
    }
}

/// A field's value; one that is not there reads as `null`.
fn at<'a>(fields: &'a serde_json::Map<String, Value>, name: &str) -> &'a Value {
    fields.get(name).unwrap_or(&Value::Null)
}

fn brief(value: &Value) -> String {
    let text = match value {
        Value::Array(items) => format!("a list of {}", items.len()),
        _ => value.to_string(),
    };
    match text.char_indices().nth(LONGEST_VALUE) {
        Some((end, _)) => format!("{}...", &text[..end]),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn difference(a: Value, b: Value) -> Option<(String, String)> {
        let found = differ("", &a, &b)?;
        let values = found.values(Path::new("a"), Path::new("b"));
        Some((found.field, values))
    }

    #[test]
    fn the_first_difference_is_named_with_both_values() {
        assert_eq!(difference(json!({"x": 1}), json!({"x": 1})), None);
        let nested = difference(
            json!({"globe": {"solid": "cube", "turn": [1.0, 2.0]}}),
            json!({"globe": {"solid": "cube", "turn": [1.0, 2.5]}}),
        );
        assert_eq!(
            nested,
            Some(("globe.turn[1]".into(), "2.0 in a and 2.5 in b".into()))
        );
        let absent = difference(json!({"a": 1}), json!({"a": 1, "b": "two"}));
        assert_eq!(
            absent,
            Some(("b".into(), "null in a and \"two\" in b".into()))
        );
        let lists = difference(json!({"a": [1]}), json!({"a": [1, 2]}));
        assert_eq!(
            lists,
            Some(("a".into(), "a list of 1 in a and a list of 2 in b".into()))
        );
    }

    #[test]
    fn long_values_are_cut_between_letters() {
        let text = brief(&Value::String("é".repeat(100)));
        assert_eq!(text, format!("\"{}...", "é".repeat(LONGEST_VALUE - 1)));
    }
}
