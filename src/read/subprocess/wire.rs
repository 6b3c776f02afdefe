//! What the two processes say to each other: a length, then a message in that many bytes; samples
//! follow as they lie in memory.

use super::super::{ReadRequest, StoragePolicy};
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::{Hypsometry, Layout, Place, Quantity, Registration, Source};
use crate::model::settings::{Flattening, GridSettings};
use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::io::Read;
use std::path::PathBuf;

/// Longest message: far more than the names of all tiles of a planet.
const MOST_BYTES: usize = 1 << 28;

/// What the reading process is asked for.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Request {
    #[serde(with = "GridSettingsParts")]
    pub settings: GridSettings,
    pub task: Task,
    pub threads: Option<usize>,
    /// Name of the open file for a working grid that memory does not hold.
    pub store: Option<OsString>,
}

/// What is to be done with the files.
#[derive(Debug, Serialize, Deserialize)]
pub(super) enum Task {
    /// As [`inspect`](super::super::inspect).
    Inspect,
    /// As [`read_within`](super::super::read_within).
    Read {
        request: ReadRequest,
        storage: StoragePolicy,
    },
}

/// What the reading process says.
#[derive(Debug, Serialize, Deserialize)]
pub(super) enum Message {
    Start {
        stage: String,
        steps: u64,
    },
    Step(u64),
    Done,
    /// A library is called about a file, and may have to decode so many bytes.
    Call {
        file: OsString,
        work: u64,
    },
    Returned,
    Failed(Error),
    Found(Box<GridAnswer>),
}

/// What was found; if the grid is held, its samples follow.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct GridAnswer {
    #[serde(with = "SourceParts")]
    pub source: Source,
    pub layout: Option<Layout>,
    pub held: bool,
}

/// A message with its length.
pub(super) fn framed<T: Serialize>(message: &T) -> Result<Vec<u8>> {
    let bytes = postcard::to_stdvec(message).map_err(|_| unsaid())?;
    let length = u32::try_from(bytes.len()).map_err(|_| unsaid())?;
    let mut all = length.to_le_bytes().to_vec();
    all.extend_from_slice(&bytes);
    Ok(all)
}

fn unsaid() -> Error {
    Error::Job(
        Problem::new("the job names more than can be handed to the process that reads grids")
            .setting("grid.files")
            .next("name fewer files"),
    )
}

/// The request, from the beginning of a stream.
pub(super) fn request(stream: &mut impl Read) -> Option<Request> {
    let mut length = [0; 4];
    stream.read_exact(&mut length).ok()?;
    let length = u32::from_le_bytes(length) as usize;
    let mut bytes = Vec::new();
    let taken = stream.take(length as u64).read_to_end(&mut bytes).ok()?;
    (taken == length).then(|| postcard::from_bytes(&bytes).ok())?
}

/// Messages out of the bytes as they arrive.
#[derive(Default)]
pub(super) struct Inbox {
    bytes: Vec<u8>,
    at: usize,
}

impl Inbox {
    pub fn push(&mut self, bytes: &[u8]) {
        self.bytes.drain(..self.at);
        self.at = 0;
        self.bytes.extend_from_slice(bytes);
    }

    /// The next whole message; an error for bytes that are none.
    pub fn next(&mut self) -> std::result::Result<Option<Message>, ()> {
        let Some((length, rest)) = self.bytes[self.at..].split_first_chunk::<4>() else {
            return Ok(None);
        };
        let length = u32::from_le_bytes(*length) as usize;
        if length > MOST_BYTES {
            return Err(());
        }
        let Some(bytes) = rest.get(..length) else {
            return Ok(None);
        };
        let message = postcard::from_bytes(bytes).map_err(|_| ())?;
        self.at += 4 + length;
        Ok(Some(message))
    }

    /// What has arrived behind the last message.
    pub fn rest(&self) -> &[u8] {
        &self.bytes[self.at..]
    }
}

/// Samples of a grid; `None` for a layout that is none.
pub(super) fn samples(layout: &Layout) -> Option<usize> {
    let count = layout.rows.checked_mul(layout.columns)?;
    let sound =
        layout.rows > 1 && layout.columns > 1 && count.checked_mul(4)? < isize::MAX as usize;
    sound.then_some(count)
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "GridSettings")]
struct GridSettingsParts {
    #[serde(with = "paths")]
    files: Vec<PathBuf>,
    body: Option<String>,
    radius_m: Option<f64>,
    quantity: Option<Quantity>,
    scale: Option<f64>,
    offset_m: Option<f64>,
    nodata: Option<f64>,
    west_deg: Option<f64>,
    flattening: Flattening,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Source")]
struct SourceParts {
    files: Vec<String>,
    width: usize,
    height: usize,
    cell_deg: f64,
    west_deg: f64,
    north_deg: f64,
    registration: Registration,
    quantity: Quantity,
    unit: String,
    scale: f64,
    offset: f64,
    body: Option<String>,
    reference_radius_m: Option<f64>,
    #[serde(with = "PlaceParts")]
    min: Place,
    #[serde(with = "PlaceParts")]
    max: Place,
    hypsometry: Hypsometry,
    filled_cells: u64,
    filled_share: f64,
    clipped_cells: u64,
    notes: Vec<String>,
}

/// Not as it is written into files, which leaves the last digits out.
#[derive(Serialize, Deserialize)]
#[serde(remote = "Place")]
struct PlaceParts {
    height_m: f64,
    lat_deg: f64,
    lon_deg: f64,
}

/// File names of any bytes.
mod paths {
    use super::*;
    use serde::{Deserializer, Serializer};

    pub fn serialize<S: Serializer>(
        paths: &[PathBuf],
        to: S,
    ) -> std::result::Result<S::Ok, S::Error> {
        to.collect_seq(paths.iter().map(|path| path.as_os_str()))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> std::result::Result<Vec<PathBuf>, D::Error> {
        let names = Vec::<OsString>::deserialize(from)?;
        Ok(names.into_iter().map(PathBuf::from).collect())
    }
}
