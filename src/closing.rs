//! The closing part of a job: what a folder gets once its height images are there.
//!
//! Steps at the seams, warnings, overview, report and manifest are made from the images and the
//! manifest alone, whether a run has just drawn the images or parts of a job are being joined.
//! So both give the same bytes.

use crate::Result;
use crate::manifest::{Checks, FacetEntry, ImageEntry, MANIFEST_FILE, Manifest};
use crate::stages::report::{self, overview};
use crate::stages::seams::{self, FacetView, Profiles, SeamLine};
use crate::stages::write;
use crate::stages::write::folder::NewFolder;
use crate::warnings::{self, Warning};
use ndarray::Array2;
use std::collections::BTreeMap;

/// What is asked of every image before it leaves memory.
pub struct Closing {
    image: ImageEntry,
    radius_mm: f64,
    seams: Vec<SeamLine>,
    layout: overview::Layout,
}

/// What is kept of one facet once its image is written.
pub struct Trace {
    thumb: overview::Thumb,
    profiles: Profiles,
}

impl Closing {
    /// For the facets of a manifest, whose counts and measurements may still be blank.
    pub fn of(manifest: &Manifest) -> Closing {
        Closing {
            image: manifest.image,
            radius_mm: manifest.globe.radius_mm,
            seams: seams::seams_of(manifest),
            layout: overview::Layout::of(manifest),
        }
    }

    /// Measures and shrinks one facet's image, `(rows, columns)`.
    pub fn trace(&self, facet: &FacetEntry, levels: &Array2<u16>) -> Trace {
        let view = FacetView::of(&self.image, facet, levels);
        Trace {
            thumb: overview::thumbnail(levels, facet, &self.layout),
            profiles: seams::profiles(facet.id, &view, &self.seams, self.radius_mm),
        }
    }

    /// Fills in what the manifest says of all facets together and writes everything but images.
    ///
    /// `traces` holds one entry for each facet of the manifest, by number.
    pub fn write(
        &self,
        manifest: &mut Manifest,
        traces: BTreeMap<usize, Trace>,
        folder: &NewFolder,
    ) -> Result<Vec<Warning>> {
        let mut thumbs = Vec::with_capacity(traces.len());
        let mut profiles = BTreeMap::new();
        for (id, trace) in traces {
            thumbs.push(trace.thumb);
            profiles.insert(id, trace.profiles);
        }
        manifest.checks = checks(manifest, &self.seams, &profiles);
        let warnings = warnings::collect(manifest);
        manifest.warnings = warnings.iter().map(Warning::to_string).collect();

        let sheet = overview::sheet(manifest, &self.layout, &thumbs)?;
        folder.write("overview.png", &overview::encode(&sheet)?)?;
        folder.write("report.md", report::text(manifest).as_bytes())?;
        folder.write(MANIFEST_FILE, write::manifest::text(manifest)?.as_bytes())?;
        Ok(warnings)
    }
}

fn checks(manifest: &Manifest, lines: &[SeamLine], profiles: &BTreeMap<usize, Profiles>) -> Checks {
    let worst = seams::summary(&seams::steps(lines, profiles)).map(|summary| summary.worst);
    Checks {
        worst_seam_step_mm: worst.as_ref().map(|worst| worst.worst_mm),
        worst_seam: worst.map(|worst| worst.seam),
        clipped_px: manifest.total(FacetEntry::clipped_px),
        undercut_px: manifest.total(|facet| facet.undercut_px),
    }
}
