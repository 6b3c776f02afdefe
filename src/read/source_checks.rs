//! Virtual rasters and headers made to lead elsewhere: whatever passes the gate stays in its folder.

use super::sources::{FileAccess, Name, Subdataset};
use crate::model::error::Error;
use crate::testing::hostile;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use proptest::test_runner::TestCaseResult;
use roxmltree::Document;
use std::fs;
use std::path::{Path, PathBuf};

/// A grid small enough to be opened thousands of times.
const GRID: &str =
    "ncols 4\nnrows 2\nxllcorner -180\nyllcorner -90\ncellsize 90\n1 2 3 4\n5 6 7 8\n";

/// A virtual raster of one source.
fn of_source(source: &str) -> String {
    format!(
        "<VRTDataset rasterXSize=\"4\" rasterYSize=\"2\"><SRS>EPSG:4326</SRS><GeoTransform>-180, 90, \
         0, 90, 0, -90</GeoTransform><VRTRasterBand dataType=\"Int16\" band=\"1\"><ComplexSource>\
         {source}<SourceBand>1</SourceBand><SrcRect xOff=\"0\" yOff=\"0\" xSize=\"4\" ySize=\"2\"/>\
         </ComplexSource></VRTRasterBand></VRTDataset>"
    )
}

/// How a virtual raster names a file.
fn named(file: &str) -> String {
    format!("<SourceFilename relativeToVRT=\"1\">{file}</SourceFilename>")
}

/// Files around the virtual raster `job/a.vrt`.
struct Place {
    top: tempfile::TempDir,
    job: PathBuf,
}

impl Place {
    fn new() -> Place {
        let top = tempfile::tempdir().unwrap();
        let job = top.path().canonicalize().unwrap().join("job");
        fs::create_dir_all(job.join("below")).unwrap();
        for grid in ["a.asc", "below/b.asc", "../named.asc", "../secret.asc"] {
            fs::write(job.join(grid), GRID).unwrap();
        }
        for (name, source) in [("in.vrt", "below/b.asc"), ("out.vrt", "../secret.asc")] {
            fs::write(job.join(name), of_source(&named(source))).unwrap();
        }
        #[cfg(unix)]
        std::os::unix::fs::symlink("../secret.asc", job.join("link.asc")).unwrap();
        Place { top, job }
    }

    /// Whether a file may be read: in or below the folder, or named in the job.
    fn holds(&self, file: &Path) -> TestCaseResult {
        let real = file.canonicalize();
        prop_assert!(file.is_absolute() && real.is_ok(), "{:?}", file);
        let real = real.unwrap_or_default();
        let named = self.job.with_file_name("named.asc");
        prop_assert!(real.starts_with(&self.job) || real == named, "{:?}", real);
        Ok(())
    }

    /// The same of all sources in what is given to GDAL, at any depth.
    fn holds_all(&self, xml: &str) -> TestCaseResult {
        let document = Document::parse(xml);
        prop_assert!(document.is_ok(), "{}", xml);
        for node in document.iter().flat_map(Document::descendants) {
            if !["SourceFilename", "SourceDataset"].contains(&node.tag_name().name()) {
                continue;
            }
            let text = node.text().unwrap_or_default();
            match Subdataset::of(text) {
                _ if text.starts_with('<') => self.holds_all(text)?,
                Some(part) => self.holds(Path::new(part.file))?,
                None => self.holds(Path::new(text))?,
            }
        }
        Ok(())
    }
}

#[test]
fn fuzz_virtual_rasters() {
    let place = Place::new();
    let (plain, outside) = (
        of_source(&named("a.asc")),
        of_source(&named("../named.asc")),
    );
    let (within, raw) = (
        of_source(&named("in.vrt")),
        of_source(&named("below/b.asc")),
    );
    let raw = raw.replace("band=", "subClass=\"VRTRawRasterBand\" band=");
    let warped = "<VRTDataset rasterXSize=\"4\" rasterYSize=\"2\" subClass=\"VRTWarpedDataset\">\
        <VRTRasterBand dataType=\"Int16\" band=\"1\" subClass=\"VRTWarpedRasterBand\"/>\
        <GDALWarpOptions><SourceDataset relativeToVRT=\"1\">a.asc</SourceDataset></GDALWarpOptions>\
        </VRTDataset>";
    let known = [&plain, &outside, &within, &raw, warped];
    let heads = [
        "DatasetHeader Begin\nDataFile = \"a.asc\"\nDatasetHeader End\n",
        "Object = IsisCube\n^Core = a.asc\nEnd\n",
        "<Product_Observational><file_name>a.asc</file_name></Product_Observational>",
    ];
    let [secret, link] = ["../secret.asc", "link.asc"].map(named);
    let absolute = place.top.path().join("secret.asc").display().to_string();
    let words = "../secret.asc|link.asc|in.vrt|out.vrt|a.vrt|NETCDF:\"../secret.asc\":z|\
        HDF5:../secret.asc://z|/vsicurl/http://127.0.0.1:1/a|&#46;&#46;&#47;|\
        relativeToVRT=\"1\"|<SourceDataset>|<SourceFilename>|</SourceFilename>|<VRTDataset>|\
        <Metadata>|<SRS>http://127.0.0.1:1/a</SRS>|subClass=\"VRTDerivedRasterBand\"|<!--|\
        -->|<![CDATA[|]]>|<?a|?>|<!DOCTYPE a [<!ENTITY b \"c\">]>|&b;|&lt;VRTDataset&gt;";
    let words = format!("{secret}|{link}|{absolute}|{words}");
    // Well-formed, so that it is the name that decides.
    let parts = "..|/|./|below|job|a.asc|b.asc|named.asc|secret.asc|link.asc|in.vrt|out.vrt|a.vrt|\
        NETCDF:|HDF5:|:z|\"|//| |&#0;|é|\\"
        .split('|');
    let names = vec(select(parts.collect::<Vec<_>>()), 1..6)
        .prop_map(|parts| of_source(&named(&parts.concat())));
    let texts = prop_oneof![
        6 => hostile::text(&known, &words),
        1 => hostile::text(&heads, &words),
        3 => names,
    ];
    let file = place.job.join("a.vrt");
    let in_job = [file.clone(), place.top.path().join("named.asc")];
    hostile::each(texts, |text| {
        fs::write(&file, text).unwrap();
        match FileAccess::new(&in_job).resolve(&file) {
            Ok(Name::Virtual(xml)) => place.holds_all(&xml),
            Ok(name) => {
                prop_assert_eq!(name, Name::File(file.clone()));
                Ok(())
            }
            Err(error) => {
                prop_assert!(matches!(error, Error::Grid(_) | Error::Disk(_)));
                hostile::one_line(error)
            }
        }
    });
}
