//! PDS3 labels: the text files that describe raw planetary images.
//!
//! Reference: Planetary Data System Standards Reference, version 3.8 (JPL D-7669), chapters 12
//! (Object Description Language) and 14 (pointers), appendix A.20 (IMAGE).
//!
//! The image is placed by the label's bounding longitudes and latitudes. Its projection offsets
//! are not used: products disagree about whether they count from 0 or from 1, and following the
//! wrong reading moves the whole planet by a pixel.

use crate::model::error::{Error, Problem, Result};
use std::path::Path;

/// Longest label read; real ones have some kilobytes.
pub(super) const LABEL_BYTES: u64 = 1 << 20;

/// A statement or an object, in the order of the label.
#[derive(Debug, Clone, PartialEq)]
enum Entry {
    Value { key: String, value: Value },
    Object { name: String, label: Label },
}

/// The value of a statement.
#[derive(Debug, Clone, PartialEq)]
enum Value {
    /// A number, word or quoted text, and its unit in upper case if it has one.
    Text { text: String, unit: Option<String> },
    /// The members of a sequence or set.
    List(Vec<Value>),
}

/// A label or one of its objects.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Label {
    entries: Vec<Entry>,
}

/// A raw image as a label describes it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct RawImage {
    /// Name of the data file; `None` when the image follows the label in the same file.
    pub file: Option<String>,
    /// Bytes before the first line.
    pub skip: u64,
    pub columns: usize,
    pub rows: usize,
    pub sample: Sample,
    /// Bytes from one line to the next, and before the first sample of each.
    pub line_bytes: usize,
    pub prefix_bytes: usize,
    pub scale: Option<f64>,
    /// In the unit of the scaled numbers.
    pub offset: Option<f64>,
    pub unit: String,
    pub missing: Option<f64>,
    pub map: Option<Map>,
    /// The body, as the label names it.
    pub target: Option<String>,
    pub notes: Vec<String>,
}

/// Sample types that elevation products use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample {
    /// GDAL's name of the type.
    pub kind: &'static str,
    pub bytes: usize,
    pub big_endian: bool,
}

/// Where the image lies on the body; longitudes east, as in the label but for the sign.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Map {
    /// Outer corner and steps of the cells, in degrees; in metres for a map with a `proj`.
    pub west: f64,
    pub north: f64,
    pub x_step: f64,
    pub y_step: f64,
    /// The projection as PROJ writes it, for maps that are not cylindrical.
    pub proj: Option<String>,
    /// Equatorial radius, metres.
    pub radius_m: Option<f64>,
    /// Polar radius, metres.
    pub polar_m: Option<f64>,
    /// Latitudes are angles of the vertical on an ellipsoid.
    pub graphic: bool,
}

/// Whether the first bytes of a file are those of a label.
pub(super) fn is_label(head: &[u8]) -> bool {
    let head = &head[..head.len().min(512)];
    head.windows(14).any(|w| w == b"PDS_VERSION_ID") && head.windows(4).any(|w| w == b"PDS3")
}

impl Label {
    /// Reads label text up to its END; whatever follows (an attached image) is left alone.
    ///
    /// # Errors
    /// [`Error::Grid`] for one nested more deeply than any real one.
    pub fn parse(text: &str) -> Result<Label> {
        let mut parser = LabelParser {
            rest: text,
            depth: 0,
        };
        parser.label()
    }

    /// Where a cube ends that this label stands in front of; `None` if it does not say.
    pub fn cube_end(&self, size: (usize, usize), cell_bytes: u64) -> Option<u64> {
        let (core, _) = self.find("CORE")?;
        let whole = |label: &Label, key: &str| {
            let number = label.number(key).filter(|n| (1.0..1e15).contains(n))?;
            Some(number as u64)
        };
        let wide = |count: usize, key: &str| {
            let tile = match core.word("FORMAT")?.as_str() {
                "Tile" => whole(core, key)?,
                _ => 1,
            };
            (count as u64).checked_next_multiple_of(tile)
        };
        let cells = wide(size.0, "TILESAMPLES")?.checked_mul(wide(size.1, "TILELINES")?)?;
        let from = whole(core, "STARTBYTE")? - 1;
        let mut end = match core.value("^CORE") {
            // In a file of its own, which its own reader looks after.
            Some(_) => 0,
            None => from.checked_add(cells.checked_mul(cell_bytes)?)?,
        };
        for entry in &self.entries {
            if let Entry::Object { label, .. } = entry
                && let (Some(from), Some(bytes)) =
                    (whole(label, "STARTBYTE"), whole(label, "BYTES"))
            {
                end = end.max(from - 1 + bytes);
            }
        }
        Some(end)
    }

    /// The value of a statement of this object itself.
    fn value(&self, key: &str) -> Option<&Value> {
        self.entries.iter().find_map(|entry| match entry {
            Entry::Value { key: k, value } if k == key => Some(value),
            _ => None,
        })
    }

    /// The first object of a name, at any depth, and the object it lies in.
    fn find(&self, name: &str) -> Option<(&Label, &Label)> {
        self.entries.iter().find_map(|entry| match entry {
            Entry::Object { name: n, label } if n == name => Some((label, self)),
            Entry::Object { label, .. } => label.find(name),
            Entry::Value { .. } => None,
        })
    }

    /// A statement here or, failing that, anywhere below.
    fn anywhere(&self, key: &str) -> Option<&Value> {
        self.value(key).or_else(|| {
            self.entries.iter().find_map(|entry| match entry {
                Entry::Object { label, .. } => label.anywhere(key),
                Entry::Value { .. } => None,
            })
        })
    }

    fn number(&self, key: &str) -> Option<f64> {
        self.value(key)?.number()
    }

    fn word(&self, key: &str) -> Option<String> {
        self.value(key)?.word()
    }

    /// The same in upper case, empty when there is none.
    fn upper(&self, key: &str) -> String {
        self.word(key).unwrap_or_default().to_uppercase()
    }

    fn metres(&self, key: &str) -> Option<f64> {
        self.value(key)?.metres()
    }

    fn count(&self, key: &str) -> Result<usize> {
        match self.number(key) {
            Some(n) if (1.0..=1e9).contains(&n) && n.fract() == 0.0 => Ok(n as usize),
            found => Err(Error::Grid(
                Problem::new(format!("the label's {key} is missing or makes no sense"))
                    .found(found.map_or("nothing".to_owned(), |n| n.to_string()))
                    .allowed("a whole number above 0"),
            )),
        }
    }

    /// The raw image a label describes.
    pub fn image(&self) -> Result<RawImage> {
        let Some((image, holder)) = self.find("IMAGE") else {
            return Err(Error::Grid(
                Problem::new("the label describes no image")
                    .allowed("a PDS3 label with an IMAGE object"),
            ));
        };
        if let Some(bands) = image.number("BANDS").filter(|b| *b != 1.0) {
            return Err(Error::Grid(
                Problem::new("the image does not hold exactly one band of heights")
                    .found(format!("{bands} bands"))
                    .allowed("1 band"),
            ));
        }
        let sample = sample(image)?;
        let (rows, columns) = (image.count("LINES")?, image.count("LINE_SAMPLES")?);
        let bytes_of = |key: &str| image.number(key).unwrap_or(0.0).clamp(0.0, 1e6) as usize;
        let prefix_bytes = bytes_of("LINE_PREFIX_BYTES");
        let line_bytes = prefix_bytes + columns * sample.bytes + bytes_of("LINE_SUFFIX_BYTES");
        let pointer = holder
            .value("^IMAGE")
            .or_else(|| self.anywhere("^IMAGE"))
            .ok_or_else(|| {
                Error::Grid(Problem::new(
                    "the label does not say where its image is (^IMAGE)",
                ))
            })?;
        let record_bytes = holder
            .number("RECORD_BYTES")
            .or_else(|| self.number("RECORD_BYTES"))
            .unwrap_or(line_bytes as f64);
        let (file, skip) = pointed(pointer, record_bytes);
        let mut notes = Vec::new();
        let map = match self.find("IMAGE_MAP_PROJECTION") {
            Some((map, _)) => Some(read_map(map, columns, rows, &mut notes)?),
            None => None,
        };
        Ok(RawImage {
            file,
            skip,
            columns,
            rows,
            sample,
            line_bytes,
            prefix_bytes,
            scale: image.number("SCALING_FACTOR"),
            offset: image.number("OFFSET"),
            unit: image.word("UNIT").unwrap_or_default(),
            missing: ["MISSING_CONSTANT", "MISSING", "NULL", "CORE_NULL"]
                .iter()
                .find_map(|key| missing(image.value(key)?, sample)),
            map,
            target: self
                .anywhere("TARGET_NAME")
                .and_then(Value::word)
                .filter(|t| t != "N/A"),
            notes,
        })
    }
}

impl Value {
    /// What stands there and its unit, if that is not a list.
    fn single(&self) -> Option<(&str, Option<&str>)> {
        match self {
            Value::Text { text, unit } => Some((text, unit.as_deref())),
            Value::List(_) => None,
        }
    }

    fn number(&self) -> Option<f64> {
        let number = self.single()?.0.parse().ok();
        number.filter(|n: &f64| n.is_finite())
    }

    fn word(&self) -> Option<String> {
        Some(self.single()?.0.trim().to_owned())
    }

    fn unit(&self) -> Option<&str> {
        self.single()?.1
    }

    /// A length in metres. Labels write kilometres, with or without saying so.
    fn metres(&self) -> Option<f64> {
        let metres = match self.unit() {
            Some("M" | "METER" | "METERS" | "METRE" | "METRES") => 1.0,
            _ => 1000.0,
        };
        self.number().map(|n| n * metres).filter(|m| *m > 0.0)
    }
}

/// File and byte position a pointer names: `"A.IMG"`, `("A.IMG", 3)`, `("A.IMG", 77 <BYTES>)`,
/// `14` or `1025 <BYTES>`; records and bytes count from 1.
fn pointed(pointer: &Value, record_bytes: f64) -> (Option<String>, u64) {
    let skip = |value: &Value| {
        let from = (value.number().unwrap_or(1.0) - 1.0).max(0.0);
        match value.unit() {
            Some("BYTES" | "BYTE") => from as u64,
            _ => (from * record_bytes) as u64,
        }
    };
    match pointer {
        Value::List(parts) => (
            parts.first().and_then(Value::word),
            parts.get(1).map_or(0, skip),
        ),
        value if value.number().is_some() => (None, skip(value)),
        value => (value.word(), 0),
    }
}

fn sample(image: &Label) -> Result<Sample> {
    let name = image.upper("SAMPLE_TYPE");
    let bits = image.count("SAMPLE_BITS")?;
    let little = ["LSB", "PC", "VAX"].iter().any(|p| name.starts_with(p));
    let unsigned = name.contains("UNSIGNED");
    // VAX floats are another format altogether.
    let real = name.contains("REAL") && !name.starts_with("VAX") || name == "FLOAT";
    let whole = name.contains("INTEGER");
    let kind = match (bits, real, whole, unsigned) {
        (8, false, true, true) => "Byte",
        (16, false, true, false) => "Int16",
        (16, false, true, true) => "UInt16",
        (32, false, true, false) => "Int32",
        (32, false, true, true) => "UInt32",
        (32, true, false, _) => "Float32",
        (64, true, false, _) => "Float64",
        _ => {
            return Err(Error::Grid(
                Problem::new("the label's sample type is not read")
                    .found(format!("{name} with {bits} bits"))
                    .allowed(
                        "MSB_ or LSB_ (UNSIGNED_)INTEGER of 8 to 32 bits, IEEE_REAL or PC_REAL",
                    ),
            ));
        }
    };
    Ok(Sample {
        kind,
        bytes: bits / 8,
        big_endian: !little,
    })
}

/// A fill value; `16#FF7FFFFB#` gives the bits of the sample itself.
fn missing(value: &Value, sample: Sample) -> Option<f64> {
    if let Some(number) = value.number() {
        return Some(number);
    }
    let word = value.word()?;
    let digits = word.strip_prefix("16#")?.strip_suffix('#')?;
    let bits = u64::from_str_radix(digits, 16).ok()?;
    Some(match sample.kind {
        "Float32" => f64::from(f32::from_bits(bits as u32)),
        "Float64" => f64::from_bits(bits),
        "Int16" => f64::from(bits as u16 as i16),
        "Int32" => f64::from(bits as u32 as i32),
        _ => bits as f64,
    })
}

/// Placement from an IMAGE_MAP_PROJECTION object.
fn read_map(map: &Label, columns: usize, rows: usize, notes: &mut Vec<String>) -> Result<Map> {
    let projection = map.upper("MAP_PROJECTION_TYPE").replace('_', " ");
    if projection == "POLAR STEREOGRAPHIC" {
        return read_polar(map, columns, rows);
    }
    let plain = [
        "SIMPLE CYLINDRICAL",
        "EQUIRECTANGULAR",
        "EQUIDISTANT CYLINDRICAL",
        "",
    ];
    if !plain.contains(&projection.as_str()) {
        return Err(Error::Grid(
            Problem::new("the label's map projection is not read yet")
                .found(projection)
                .allowed("SIMPLE CYLINDRICAL, EQUIRECTANGULAR or POLAR STEREOGRAPHIC")
                .next("use the product's global cylindrical version"),
        ));
    }
    let needed = |key: &str| needed(map, key);
    let westwards = map.upper("POSITIVE_LONGITUDE_DIRECTION") == "WEST";
    let sign = if westwards { -1.0 } else { 1.0 };
    let west = sign * needed("WESTERNMOST_LONGITUDE")?;
    let mut width = sign * needed("EASTERNMOST_LONGITUDE")? - west;
    if width <= 0.0 {
        width += 360.0;
    }
    let (north, south) = (needed("MAXIMUM_LATITUDE")?, needed("MINIMUM_LATITUDE")?);
    if westwards {
        notes.push("the label counts longitudes westwards; turned into east".to_owned());
    }
    let system = map.upper("COORDINATE_SYSTEM_NAME");
    let radius_m = map.metres("A_AXIS_RADIUS");
    let polar_m = map.metres("C_AXIS_RADIUS");
    let pixel = map
        .number("MAP_RESOLUTION")
        .map(|per_degree| 1.0 / per_degree);
    let (west, x_step) = spread(west, width, columns, pixel);
    let (above, y_step) = spread(-north, north - south, rows, pixel);
    Ok(Map {
        west,
        north: -above,
        x_step,
        y_step: -y_step,
        proj: None,
        radius_m,
        polar_m,
        graphic: system.contains("GRAPHIC"),
    })
}

fn needed(map: &Label, key: &str) -> Result<f64> {
    map.number(key).ok_or_else(|| {
        Error::Grid(
            Problem::new(format!("the label does not give {key}"))
                .next("add the line to the label; the product's documentation has the value"),
        )
    })
}

/// Placement of a map around a pole. The pole is taken to be the image's middle when the
/// projection offsets put it within a pixel of that, for the reason given at the top.
fn read_polar(map: &Label, columns: usize, rows: usize) -> Result<Map> {
    let north = needed(map, "CENTER_LATITUDE")? > 0.0;
    let lon = map.number("CENTER_LONGITUDE").unwrap_or(0.0);
    let Some(radius_m) = map.metres("A_AXIS_RADIUS") else {
        return Err(needed(map, "A_AXIS_RADIUS").map_or_else(
            |e| e,
            |_| Error::Grid(Problem::new("the label's A_AXIS_RADIUS makes no sense")),
        ));
    };
    let step = (1.0 / needed(map, "MAP_RESOLUTION")?).to_radians() * radius_m;
    let middle = |key: &str, count: usize| {
        let half = 0.5 * count as f64;
        match map.number(key) {
            Some(offset) if (offset - half).abs() > 1.01 => offset - 0.5,
            _ => half,
        }
    };
    let pole = if north { 90 } else { -90 };
    Ok(Map {
        west: -middle("SAMPLE_PROJECTION_OFFSET", columns) * step,
        north: middle("LINE_PROJECTION_OFFSET", rows) * step,
        x_step: step,
        y_step: -step,
        proj: Some(format!(
            "+proj=stere +lat_0={pole} +lon_0={lon} +R={radius_m} +units=m"
        )),
        radius_m: Some(radius_m),
        polar_m: map.metres("C_AXIS_RADIUS"),
        graphic: false,
    })
}

/// First edge and step of `count` cells over a span that a label gives either from edge to edge
/// or, as some do, from the first centre to the last: the pixel size tells which.
fn spread(first: f64, span: f64, count: usize, pixel: Option<f64>) -> (f64, f64) {
    let by_edges = span / count as f64;
    let by_centres = span / (count.max(2) - 1) as f64;
    match pixel {
        Some(pixel) if (by_centres - pixel).abs() < (by_edges - pixel).abs() => {
            (first - 0.5 * by_centres, by_centres)
        }
        _ => (first, by_edges),
    }
}

/// Deepest nesting of objects and brackets; real labels have five.
const MOST_NESTED: usize = 40;

/// Walks through label text.
struct LabelParser<'a> {
    rest: &'a str,
    /// Objects and brackets open at this place.
    depth: usize,
}

impl<'a> LabelParser<'a> {
    /// Goes one object or bracket deeper, if there may be one more.
    fn nested<T>(&mut self, read: impl FnOnce(&mut Self) -> Result<T>) -> Result<T> {
        if self.depth == MOST_NESTED {
            return Err(Error::Grid(
                Problem::new("the label's objects and brackets lie too deep in one another")
                    .allowed(format!("{MOST_NESTED} within one another"))
                    .next("the file is damaged; copy or download it again"),
            ));
        }
        self.depth += 1;
        let read = read(self);
        self.depth -= 1;
        read
    }

    /// Statements up to the end of this object, or of the label.
    fn label(&mut self) -> Result<Label> {
        let mut label = Label::default();
        loop {
            self.skip_blank();
            let key = self.take(|c| !c.is_whitespace() && c != '=').to_uppercase();
            match key.as_str() {
                "END" => {
                    // Ends every open object as well.
                    self.rest = "";
                    return Ok(label);
                }
                "" if self.rest.is_empty() => return Ok(label),
                _ => {}
            }
            self.skip_blank();
            let Some(rest) = self.rest.strip_prefix('=') else {
                if key.starts_with("END_") {
                    return Ok(label);
                }
                // Not a statement (a byte-count header, say): go on behind it.
                if key.is_empty() {
                    self.advance();
                }
                continue;
            };
            self.rest = rest;
            self.skip_blank();
            let value = self.value()?;
            match key.as_str() {
                "END_OBJECT" | "END_GROUP" => return Ok(label),
                "OBJECT" | "GROUP" => {
                    let name = value.word().unwrap_or_default().to_uppercase();
                    let inner = self.nested(Self::label)?;
                    label.entries.push(Entry::Object { name, label: inner });
                }
                _ => label.entries.push(Entry::Value { key, value }),
            }
        }
    }

    fn value(&mut self) -> Result<Value> {
        Ok(match self.rest.chars().next() {
            Some('(' | '{') => {
                self.advance();
                let mut parts = Vec::new();
                loop {
                    self.skip_blank();
                    match self.rest.chars().next() {
                        None => break,
                        Some(')' | '}') => {
                            self.advance();
                            break;
                        }
                        Some(',') => self.advance(),
                        Some(_) => parts.push(self.nested(Self::value)?),
                    }
                }
                Value::List(parts)
            }
            Some(quote @ ('"' | '\'')) => {
                self.advance();
                let text = self.take(|c| c != quote).to_owned();
                self.advance();
                self.with_unit(text)
            }
            _ => {
                let text = self
                    .take(|c| !c.is_whitespace() && !",(){}<\"".contains(c))
                    .to_owned();
                if text.is_empty() {
                    // A stray sign would otherwise be met for ever.
                    self.advance();
                }
                self.with_unit(text)
            }
        })
    }

    fn with_unit(&mut self, text: String) -> Value {
        self.rest = self.rest.trim_start_matches([' ', '\t']);
        let unit = self.rest.starts_with('<').then(|| {
            self.advance();
            let unit = self.take(|c| c != '>').trim().to_uppercase();
            self.advance();
            unit
        });
        Value::Text { text, unit }
    }

    /// Skips white space and comments.
    fn skip_blank(&mut self) {
        loop {
            self.rest = self.rest.trim_start();
            match self.rest.strip_prefix("/*") {
                Some(comment) => {
                    self.rest = comment.split_once("*/").map_or("", |(_, rest)| rest);
                }
                None => return,
            }
        }
    }

    fn take(&mut self, wanted: impl Fn(char) -> bool) -> &'a str {
        let end = self.rest.find(|c| !wanted(c)).unwrap_or(self.rest.len());
        let (taken, rest) = self.rest.split_at(end);
        self.rest = rest;
        taken
    }

    /// Steps over one character.
    fn advance(&mut self) {
        let mut chars = self.rest.chars();
        chars.next();
        self.rest = chars.as_str();
    }
}

/// A raw image as a raster GDAL can read, in its XML format for virtual rasters.
pub(super) fn virtual_raster(image: &RawImage, data: &Path) -> String {
    let RawImage {
        columns,
        rows,
        sample,
        ..
    } = image;
    let transform = image.map.as_ref().map_or(String::new(), |m| {
        format!(
            "<GeoTransform>{:?},{:?},0,{:?},0,{:?}</GeoTransform>",
            m.west, m.x_step, m.north, m.y_step
        )
    });
    let optional = |tag: &str, value: Option<f64>| {
        value.map_or(String::new(), |v| format!("<{tag}>{v:?}</{tag}>"))
    };
    format!(
        "<VRTDataset rasterXSize=\"{columns}\" rasterYSize=\"{rows}\">{transform}\
         <VRTRasterBand dataType=\"{}\" band=\"1\" subClass=\"VRTRawRasterBand\">\
         {}{}{}<UnitType>{}</UnitType>\
         <SourceFilename relativetoVRT=\"0\">{}</SourceFilename>\
         <ImageOffset>{}</ImageOffset><PixelOffset>{}</PixelOffset><LineOffset>{}</LineOffset>\
         <ByteOrder>{}</ByteOrder></VRTRasterBand></VRTDataset>",
        sample.kind,
        optional("NoDataValue", image.missing),
        optional("Offset", image.offset),
        optional("Scale", image.scale),
        escaped(&image.unit),
        escaped(&data.to_string_lossy()),
        image.skip + image.prefix_bytes as u64,
        sample.bytes,
        image.line_bytes,
        if sample.big_endian { "MSB" } else { "LSB" },
    )
}

/// Text as XML content.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::hostile;
    use approx::assert_abs_diff_eq;
    use proptest::{prop_assert, prop_assert_eq};
    use roxmltree::Document;

    /// Source: label of MOLA MEGDR megt90n000cb (NASA PDS, MGS-M-MOLA-5-MEGDR-L3-V1.0), shortened.
    const MOLA: &str = r#"PDS_VERSION_ID                = PDS3
RECORD_TYPE                   = FIXED_LENGTH
FILE_RECORDS                  = 720
RECORD_BYTES                  = 2880
^IMAGE                        = "MEGT90N000CB.IMG"
TARGET_NAME                   = MARS
DESCRIPTION                   = "This data product is a topographic
 map. (Note: subtract 10000 from a MOLA mapping phase orbit number to
 determine the equivalent; END = of mission.)"

OBJECT                        = IMAGE
 NAME                         = MEDIAN_TOPOGRAPHY
 LINES                        = 720
 LINE_SAMPLES                 = 1440
 SAMPLE_TYPE                  = MSB_INTEGER
 SAMPLE_BITS                  = 16
 UNIT                         = METER
END_OBJECT                    = IMAGE

OBJECT                        = IMAGE_MAP_PROJECTION
 ^DATA_SET_MAP_PROJECTION     = "DSMAP.CAT"
 MAP_PROJECTION_TYPE          = "SIMPLE CYLINDRICAL"
 A_AXIS_RADIUS                = 3396.0 <KM>
 B_AXIS_RADIUS                = 3396.0 <KM>
 C_AXIS_RADIUS                = 3396.0 <KM>
 FIRST_STANDARD_PARALLEL      = "N/A"
 POSITIVE_LONGITUDE_DIRECTION = "EAST"
 CENTER_LATITUDE              = 0.0 <DEGREE>
 CENTER_LONGITUDE             = 180.0 <DEGREE>
 MAP_RESOLUTION               = 4.0 <PIXEL/DEGREE>
 MAP_SCALE                    = 14.818 <KM/PIXEL>
 MAXIMUM_LATITUDE             = 90.0 <DEGREE>
 MINIMUM_LATITUDE             = -90.0 <DEGREE>
 WESTERNMOST_LONGITUDE        = 0.0 <DEGREE>
 EASTERNMOST_LONGITUDE        = 360.0 <DEGREE>
 LINE_PROJECTION_OFFSET       = 360.5
 SAMPLE_PROJECTION_OFFSET     = 720.5
 COORDINATE_SYSTEM_NAME       = "PLANETOCENTRIC"
END_OBJECT                    = IMAGE_MAP_PROJECTION
END
"#;

    /// Laid out as the labels of LOLA's LDEM products are (NASA PDS, LRO-L-LOLA-4-GDR-V1.0).
    const LOLA: &str = r#"PDS_VERSION_ID            = "PDS3"
/*** FILE CHARACTERISTICS ***/
INSTRUMENT_HOST_NAME      = {"LUNAR RECONNAISSANCE ORBITER",
                             "LRO /* not a comment */"}
TARGET_NAME               = "MOON"
OBJECT                    = UNCOMPRESSED_FILE
  FILE_NAME               = "LDEM_4.IMG"
  RECORD_TYPE             = FIXED_LENGTH
  FILE_RECORDS            = 720
  RECORD_BYTES            = 2880
  ^IMAGE                  = "LDEM_4.IMG"
  OBJECT                  = IMAGE
    NAME                  = HEIGHT
    LINES                 = 720
    LINE_SAMPLES          = 1440
    SAMPLE_TYPE           = LSB_INTEGER
    SAMPLE_BITS           = 16
    UNIT                  = METER
    /* HEIGHT = (DN * SCALING_FACTOR) */
    SCALING_FACTOR        = 0.5
    OFFSET                = 1737400.
    MISSING_CONSTANT      = -32768
  END_OBJECT              = IMAGE
END_OBJECT                = UNCOMPRESSED_FILE
OBJECT                    = IMAGE_MAP_PROJECTION
  MAP_PROJECTION_TYPE     = "SIMPLE CYLINDRICAL"
  MAP_RESOLUTION          = 4 <pix/deg>
  A_AXIS_RADIUS           = 1737.4 <km>
  C_AXIS_RADIUS           = 1737.4 <km>
  POSITIVE_LONGITUDE_DIRECTION = "EAST"
  MAP_SCALE               = 7580.8376 <m/pix>
  MAXIMUM_LATITUDE        = 90 <deg>
  MINIMUM_LATITUDE        = -90 <deg>
  WESTERNMOST_LONGITUDE   = 0 <deg>
  EASTERNMOST_LONGITUDE   = 360 <deg>
  LINE_PROJECTION_OFFSET  = 359.5
  SAMPLE_PROJECTION_OFFSET = 719.5
END_OBJECT                = IMAGE_MAP_PROJECTION
END
"#;

    #[test]
    fn mars_topography_is_big_endian_metres_from_0_east() {
        let image = Label::parse(MOLA).unwrap().image().unwrap();
        assert_eq!(image.file.as_deref(), Some("MEGT90N000CB.IMG"));
        assert_eq!((image.columns, image.rows, image.skip), (1440, 720, 0));
        assert_eq!(
            image.sample,
            Sample {
                kind: "Int16",
                bytes: 2,
                big_endian: true
            }
        );
        assert_eq!(
            (image.scale, image.offset, image.missing),
            (None, None, None)
        );
        assert_eq!(image.target.as_deref(), Some("MARS"));
        let map = image.map.unwrap();
        assert_eq!((map.west, map.north), (0.0, 90.0));
        assert_eq!((map.x_step, map.y_step), (0.25, -0.25));
        assert_eq!(map.radius_m, Some(3_396_000.0));
        assert!(!map.graphic);
    }

    #[test]
    fn the_moons_label_is_read_through_its_file_object() {
        let image = Label::parse(LOLA).unwrap().image().unwrap();
        assert_eq!(image.file.as_deref(), Some("LDEM_4.IMG"));
        assert!(!image.sample.big_endian);
        assert_eq!((image.scale, image.offset), (Some(0.5), Some(1_737_400.0)));
        assert_eq!(image.missing, Some(-32768.0));
        let map = image.map.unwrap();
        assert_eq!((map.west, map.north), (0.0, 90.0));
        assert_eq!(map.radius_m, Some(1_737_400.0));
    }

    #[test]
    fn pointers_count_records_and_bytes_from_one() {
        let with = |pointer: &str| {
            let label = MOLA.replace("\"MEGT90N000CB.IMG\"", pointer);
            let image = Label::parse(&label).unwrap().image().unwrap();
            (image.file, image.skip)
        };
        assert_eq!(with("14"), (None, 13 * 2880));
        assert_eq!(with("1025 <BYTES>"), (None, 1024));
        assert_eq!(with("(\"A.IMG\", 3)"), (Some("A.IMG".to_owned()), 2 * 2880));
        assert_eq!(
            with("(\"A.IMG\",\n  77 <BYTES>)"),
            (Some("A.IMG".to_owned()), 76)
        );
    }

    #[test]
    fn west_positive_longitudes_change_sign() {
        let label = MOLA
            .replace("= \"EAST\"", "= WEST")
            .replace(
                "LONGITUDE        = 0.0 <DEGREE>",
                "LONGITUDE        = 180.0 <DEGREE>",
            )
            .replace(
                "LONGITUDE        = 360.0 <DEGREE>",
                "LONGITUDE        = -180.0 <DEGREE>",
            )
            .replace("PLANETOCENTRIC", "PLANETOGRAPHIC");
        let image = Label::parse(&label).unwrap().image().unwrap();
        let map = image.map.unwrap();
        assert_eq!((map.west, map.x_step), (-180.0, 0.25));
        assert!(map.graphic);
        assert_eq!(
            image.notes,
            ["the label counts longitudes westwards; turned into east"]
        );
    }

    #[test]
    fn bounds_on_cell_centres_are_told_by_the_pixel_size() {
        // Source: Magellan TOPOGRD.LBL gives 0.5 to 359.5 for 360 columns of a degree.
        let (west, step) = spread(0.5, 359.0, 360, Some(1.0));
        assert_abs_diff_eq!(west, 0.0, epsilon = 1e-12);
        assert_abs_diff_eq!(step, 1.0, epsilon = 1e-12);
    }

    #[test]
    fn fill_values_may_be_given_as_bits() {
        let label = MOLA
            .replace("MSB_INTEGER", "PC_REAL")
            .replace("= 16\n", "= 32\n MISSING = 16#FF7FFFFB#\n");
        let image = Label::parse(&label).unwrap().image().unwrap();
        assert_eq!(image.sample.kind, "Float32");
        // Source: PDS Standards Reference: ISIS null of 32-bit reals, −3.4028227e38.
        assert_abs_diff_eq!(
            image.missing.unwrap() / -3.402_822_7e38,
            1.0,
            epsilon = 1e-7
        );
    }

    #[test]
    fn what_cannot_be_read_is_named() {
        let error = |label: &str| {
            Label::parse(label)
                .unwrap()
                .image()
                .unwrap_err()
                .to_string()
        };
        assert_eq!(
            error("PDS_VERSION_ID = PDS3\nEND\n"),
            "grid: the label describes no image; allowed: a PDS3 label with an IMAGE object"
        );
        assert_eq!(
            error(&MOLA.replace("MSB_INTEGER", "VAX_REAL")),
            "grid: the label's sample type is not read; found VAX_REAL with 16 bits; allowed: \
             MSB_ or LSB_ (UNSIGNED_)INTEGER of 8 to 32 bits, IEEE_REAL or PC_REAL"
        );
        assert_eq!(
            error(&MOLA.replace("LINES                        = 720", "LINES = -1")),
            "grid: the label's LINES is missing or makes no sense; found -1; allowed: a whole \
             number above 0"
        );
        assert_eq!(
            error(&MOLA.replace("SIMPLE CYLINDRICAL", "SINUSOIDAL")),
            "grid: the label's map projection is not read yet; found SINUSOIDAL; allowed: SIMPLE \
             CYLINDRICAL, EQUIRECTANGULAR or POLAR STEREOGRAPHIC; use the product's global cylindrical version"
        );
    }

    #[test]
    fn torn_labels_end_quietly() {
        for end in 0..MOLA.len() {
            // Any prefix is an error or an image, never a panic or an endless loop.
            let _ = Label::parse(&MOLA[..end]).and_then(|label| label.image());
        }
        for text in TORN {
            let _ = Label::parse(text);
        }
    }

    /// Texts that end in the middle of something.
    const TORN: [&str; 7] = [
        "= = =",
        "OBJECT = (((",
        "A = \"",
        "/* ",
        "A = <",
        "END_OBJECT",
        "A = ,",
    ];

    /// The label of a cube, as ISIS writes it.
    const CUBE: &str = "Object = IsisCube\n Object = Core\n StartByte = 65537\n Format = Tile\n \
        TileSamples = 128\n TileLines = 128\n Group = Dimensions\n Samples = 36\n Lines = 18\n \
        End_Group\n End_Object\nEnd_Object\nObject = Table\n StartByte = 98305\n Bytes = 2152\n\
        End_Object\nEnd\n";

    /// What an image says holds together, and GDAL is told of one file, the one that is meant.
    fn sound(image: &RawImage) -> proptest::test_runner::TestCaseResult {
        let counts = 1..=1_000_000_000;
        prop_assert!(counts.contains(&image.columns) && counts.contains(&image.rows));
        prop_assert!([1, 2, 4, 8].contains(&image.sample.bytes));
        let cells = image.prefix_bytes + image.columns * image.sample.bytes;
        prop_assert!(image.line_bytes >= cells);
        // No file is so long that the rest of such a one would be read.
        if image.skip > 1 << 60 {
            return Ok(());
        }
        let xml = virtual_raster(image, Path::new("/a & b/<c>.img"));
        match Document::parse(&xml) {
            Ok(document) => {
                let named = |node: &roxmltree::Node<'_, '_>| node.has_tag_name("SourceFilename");
                let names: Vec<_> = document.descendants().filter(named).collect();
                prop_assert_eq!(names.len(), 1);
                prop_assert_eq!(names[0].text(), Some("/a & b/<c>.img"));
            }
            // Signs that XML cannot hold; GDAL takes such a text for no raster.
            Err(_) => prop_assert!(image.unit.contains(char::is_control), "{}", xml),
        }
        Ok(())
    }

    #[test]
    fn fuzz_labels() {
        let polar = MOLA.replace("SIMPLE CYLINDRICAL", "POLAR STEREOGRAPHIC");
        let known = [MOLA, LOLA, CUBE, &polar];
        let words = "OBJECT = IMAGE\n|OBJECT = IMAGE_MAP_PROJECTION\n|GROUP = (OBJECT = |\
            END_OBJECT\n|END\n|^IMAGE = 14\n|^IMAGE = (\"A.IMG\", 3)\n|<BYTES>|<KM>|\
            16#FF7FFFFB#|MISSING_CONSTANT = 16#FFFFFFFFFFFFFFFF#\n|LINES = |\
            SAMPLE_BITS = 32\n|PC_REAL|UNSIGNED|BANDS = 1\n|POLAR STEREOGRAPHIC|WEST";
        let known = known.map(|text| text.as_bytes().to_vec()).to_vec();
        let words = format!("{words}|{}", TORN.join("|"));
        hostile::each(hostile::bytes(known, &words), |bytes| {
            // As files are read: a label may stand in front of anything.
            let text: String = bytes.iter().map(|&b| char::from(b)).collect();
            let label = match Label::parse(&text) {
                Ok(label) => label,
                Err(error) => return hostile::one_line(error),
            };
            label.cube_end((36, 18), 4);
            match label.image() {
                Ok(image) => sound(&image),
                Err(error) => {
                    prop_assert!(matches!(error, Error::Grid(_)));
                    hostile::one_line(error)
                }
            }
        });
    }

    #[test]
    fn a_label_nested_without_end_is_refused() {
        let refusal = "grid: the label's objects and brackets lie too deep in one another; \
                       allowed: 40 within one another; the file is damaged; copy or download it \
                       again";
        for unit in ["(", "{", "OBJECT = A\n", "GROUP = (OBJECT = "] {
            let text = format!("PDS_VERSION_ID = PDS3\nA = {}", unit.repeat(100_000));
            assert_eq!(Label::parse(&text).unwrap_err().to_string(), refusal);
        }
    }
}
