//! Draws, tries with the bits and writes every facet, several at a time.

use crate::carve::cutting::{self, CutterSet, FacetCutting};
use crate::carve::fit::Fit;
use crate::carve::resample::{Bounds, FacetImage, Sampler, Scratch, render};
use crate::commands::finalise::{Finalise, Trace};
use crate::model::parallel;
use crate::model::progress::Progress;
use crate::model::settings::Settings;
use crate::output::folder::NewFolder;
use crate::output::manifest::{FacetEntry, Manifest};
use crate::output::{self, ImageFacts};
use crate::show::report;
use crate::{Error, Result};
use ndarray::Array2;
use std::collections::BTreeMap;
use std::sync::Mutex;

/// Everything facets are drawn from.
pub(super) struct FacetRun<'a> {
    pub settings: &'a Settings,
    pub sampler: &'a Sampler,
    pub bounds: &'a Bounds,
    /// Lowest and highest relief of the body.
    pub range_mm: (f64, f64),
    pub fit: &'a Fit,
    pub bits: Option<&'a CutterSet>,
    pub carved: bool,
    pub finalise: Finalise,
    /// Kind of every facet of the solid.
    pub kinds: Vec<usize>,
    pub folder: &'a NewFolder,
    /// Memory for those facets that are drawn at the moment.
    pub scratch: Mutex<Vec<Scratch>>,
}

impl FacetRun<'_> {
    /// Draws, measures and writes every facet of the manifest, `concurrent` of them at a time.
    pub fn all(
        &self,
        manifest: &mut Manifest,
        concurrent: usize,
        progress: &dyn Progress,
    ) -> Result<(BTreeMap<usize, Trace>, Vec<FacetCutting>)> {
        progress.start("carving facets", manifest.facets.len() as u64);
        let mut traces = BTreeMap::new();
        let mut cut = Vec::new();
        let facets = manifest.facets.iter_mut();
        let finished = parallel::try_given(concurrent, facets, &|facet| {
            let made = self.one(facet)?;
            progress.step(1);
            Ok((facet.id, made))
        })?;
        for (id, (trace, cutting)) in finished {
            traces.insert(id, trace);
            cut.extend(cutting);
        }
        progress.done();
        Ok((traces, cut))
    }

    fn one(&self, facet: &mut FacetEntry) -> Result<(Trace, Option<FacetCutting>)> {
        let spec = &self.fit.facets[facet.id - 1];
        let kept = self.scratch.lock().ok().and_then(|mut kept| kept.pop());
        let mut scratch = kept.unwrap_or_default();
        let FacetImage { levels, stats } =
            render(self.sampler, self.bounds, spec, self.range_mm, &mut scratch);
        (facet.min_mm, facet.max_mm) = (stats.min_mm, stats.max_mm);
        facet.clipped_high_px = stats.clipped_high_px;
        facet.clipped_low_px = stats.clipped_low_px;
        facet.undercut_px = stats.undercut_px;
        facet.carved_px = stats.carved_px;
        let trace = self.finalise.trace(facet, &levels);
        self.finalise.write_blank(facet, &levels, self.folder)?;
        let facts = ImageFacts {
            label: facet.label.clone(),
            pixel_mm: spec.pixel_mm,
            black_mm: spec.black_mm,
            white_mm: spec.white_mm,
        };
        let bytes = output::encode(self.settings.image.format, &levels, &facts, scratch.lend())?;
        self.folder.write(&facet.file, &bytes)?;
        self.folder.note_pixels(&facet.file, &levels);
        let cut = |bits| self.cut(bits, facet, &levels, &facts, scratch.lend());
        let cutting = self.bits.map(cut).transpose()?;
        scratch.take_back(levels);
        if let Ok(mut kept) = self.scratch.lock() {
            kept.push(scratch);
        }
        Ok((trace, cutting))
    }

    /// Tries the bits on a facet and writes what they leave.
    fn cut(
        &self,
        bits: &CutterSet,
        facet: &FacetEntry,
        levels: &Array2<u16>,
        facts: &ImageFacts,
        spare: &mut [u8],
    ) -> Result<FacetCutting> {
        let spec = &self.fit.facets[facet.id - 1];
        let (mut cutting, images) = bits.facet(facet.id, &facet.label, spec, levels, self.carved);
        let format = self.settings.image.format;
        let mut write_in = |folder: &str, levels: &Array2<u16>| {
            let file = format!("{folder}/{}.{}", facet.label, output::extension(format));
            let bytes = output::encode(format, levels, facts, spare)?;
            self.folder.write(&file, &bytes)?;
            self.folder.note_pixels(&file, levels);
            Ok::<_, Error>(file)
        };
        if let Some(rough) = &images.rough {
            cutting.rough_file = Some(write_in("rough", rough)?);
        }
        if let Some(carved) = &images.carved {
            cutting.carved_file = Some(write_in("carved", carved)?);
        }
        Ok(cutting)
    }

    /// Draws the ring around each kind of facet that is made; returns the files.
    pub fn rings(&self, bits: &CutterSet, chosen: &[usize]) -> Result<Vec<String>> {
        let Some(bit) = bits.roughing() else {
            return Ok(Vec::new());
        };
        let mut files: BTreeMap<usize, String> = BTreeMap::new();
        for &face in chosen {
            let kind = self.kinds[face];
            if files.contains_key(&kind) {
                continue;
            }
            let file = format!("rough/ring-{}.svg", report::kind_name(kind));
            let drawing = cutting::ring_svg(&self.fit.facets[face], bit);
            self.folder.write(&file, drawing.as_bytes())?;
            files.insert(kind, file);
        }
        Ok(files.into_values().collect())
    }
}
