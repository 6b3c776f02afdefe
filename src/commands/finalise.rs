//! The last part of a job: what a folder gets once its height images are there.
//!
//! Steps at the seams, warnings, overview, meshes, report, page and manifest are made from the
//! images and the manifest alone, whether a run has just drawn the images or parts of a job are
//! being joined. So both give the same bytes.

use crate::Result;
use crate::carve::seams::SeamLine;
use crate::output::folder::{NewFolder, PAGE_FILE};
use crate::output::manifest::file;
use crate::output::manifest::{Checks, FacetEntry, MANIFEST_FILE, Manifest};
use crate::output::mesh::{Heightmap, Mesh, Outline, solid};
use crate::output::mesh_files;
use crate::output::seam_steps::{self, FacetView, Profiles};
use crate::show::page::{self, FacetRemains};
use crate::show::pictures::sheet_png;
use crate::show::report::{self, overview};
use crate::show::sheets::Planned;
use crate::show::warnings::{self, Warning};
use ndarray::Array2;
use std::collections::BTreeMap;

/// What is asked of every image before it leaves memory.
pub struct Finalise {
    /// Geometry and levels; counts and measurements are blank.
    manifest: Manifest,
    seams: Vec<SeamLine>,
    layout: overview::SheetLayout,
}

/// What is kept of one facet once its image is written.
pub struct Trace {
    thumb: overview::Thumb,
    profiles: Profiles,
    kept: FacetRemains,
    /// The finished facet, when meshes are asked for.
    sawn: Option<Mesh>,
}

impl Finalise {
    /// For the facets of a manifest, whose counts and measurements may still be blank.
    pub fn of(manifest: &Manifest) -> Finalise {
        Finalise {
            manifest: manifest.clone(),
            seams: seam_steps::seams_of(manifest),
            layout: overview::SheetLayout::of(manifest),
        }
    }

    /// Measures and shrinks one facet's image, `(rows, columns)`.
    pub fn trace(&self, facet: &FacetEntry, levels: &Array2<u16>) -> Trace {
        let view = FacetView::of(&self.manifest.image, facet, levels);
        let radius_mm = self.manifest.globe.radius_mm;
        let sawn = |tolerance_mm| {
            let outline = Outline::sawn(&self.manifest, facet);
            solid(&self.heights(levels), &outline, tolerance_mm)
        };
        Trace {
            thumb: overview::thumbnail(levels, facet, &self.layout),
            profiles: seam_steps::profiles(facet.id, &view, &self.seams, radius_mm),
            kept: page::keep(&self.manifest, facet, levels),
            sawn: self.manifest.mesh.map(|mesh| sawn(mesh.tolerance_mm)),
        }
    }

    /// Writes one facet's blank as a mesh, when meshes are asked for.
    pub fn write_blank(
        &self,
        facet: &FacetEntry,
        levels: &Array2<u16>,
        folder: &NewFolder,
    ) -> Result<()> {
        let Some(mesh) = self.manifest.mesh else {
            return Ok(());
        };
        let outline = Outline::blank(&self.manifest, facet);
        let blank = solid(&self.heights(levels), &outline, mesh.tolerance_mm);
        folder.write(
            &mesh_files::blank_file(&facet.label),
            &mesh_files::stl(&blank)?,
        )
    }

    fn heights<'a>(&self, levels: &'a Array2<u16>) -> Heightmap<'a> {
        let image = &self.manifest.image;
        Heightmap {
            levels,
            pixel_mm: image.pixel_mm,
            black_mm: image.black_mm,
            white_mm: image.white_mm,
        }
    }

    /// Fills in what the manifest says of all facets together and writes everything but images.
    ///
    /// `traces` holds one entry for each facet of the manifest, by number; `shop` is the plan
    /// whose section ends the report.
    pub fn write(
        &self,
        manifest: &mut Manifest,
        traces: BTreeMap<usize, Trace>,
        shop: Option<&Planned>,
        folder: &NewFolder,
    ) -> Result<Vec<Warning>> {
        let mut thumbs = Vec::with_capacity(traces.len());
        let mut kept = Vec::with_capacity(traces.len());
        let mut sawn = Vec::new();
        let mut profiles = BTreeMap::new();
        for (id, trace) in traces {
            thumbs.push(trace.thumb);
            kept.push(trace.kept);
            sawn.extend(trace.sawn);
            profiles.insert(id, trace.profiles);
        }
        manifest.checks = checks(manifest, &self.seams, &profiles);
        let warnings = warnings::collect(manifest);
        manifest.warnings = warnings
            .iter()
            .map(|w| w.text(manifest.lengths()))
            .collect();

        let sheet = || sheet_png(&overview::sheet(manifest, &self.layout, &thumbs)?);
        let page = || {
            page::page(&page::PageInput {
                manifest,
                layout: &self.layout,
                thumbs: &thumbs,
                kept: &kept,
                shop,
                images: true,
            })
        };
        let (sheet, page) = rayon::join(sheet, page);
        folder.write("overview.png", &sheet?)?;
        if manifest.mesh.is_some() {
            let facets: Vec<_> = manifest.facets.iter().zip(&sawn).collect();
            let globe = mesh_files::globe(&manifest.title(), &facets)?;
            folder.write(mesh_files::GLOBE_FILE, &globe)?;
        }
        let text = report::text(manifest);
        let text = match shop {
            Some(shop) => format!("{text}\n{}", shop.report),
            None => text,
        };
        folder.write("report.md", text.as_bytes())?;
        folder.write(PAGE_FILE, page?.as_bytes())?;
        // Last, for it lists all the others.
        manifest.files = folder.written();
        folder.write(MANIFEST_FILE, file::text(manifest)?.as_bytes())?;
        Ok(warnings)
    }

    /// The page alone, for a plan whose images are not kept.
    pub fn page(
        &self,
        manifest: &Manifest,
        traces: BTreeMap<usize, Trace>,
        shop: &Planned,
    ) -> Result<String> {
        let (thumbs, kept): (Vec<_>, Vec<_>) = traces
            .into_values()
            .map(|trace| (trace.thumb, trace.kept))
            .unzip();
        page::page(&page::PageInput {
            manifest,
            layout: &self.layout,
            thumbs: &thumbs,
            kept: &kept,
            shop: Some(shop),
            images: false,
        })
    }
}

fn checks(manifest: &Manifest, lines: &[SeamLine], profiles: &BTreeMap<usize, Profiles>) -> Checks {
    let steps = seam_steps::steps(lines, profiles);
    let seams = seam_steps::summary(&steps, manifest.globe.radius_mm);
    Checks {
        seams: seams.map(|seams| seams.entry()),
        clipped_px: manifest.total(FacetEntry::clipped_px),
        undercut_px: manifest.total(|facet| facet.undercut_px),
    }
}
