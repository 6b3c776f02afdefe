//! `[[keep]]`: places no seam should cut; `[[place]]`: places to name.

use super::table::{Default, List, ROUND, Range, Setting, ValueKind, always, needed};
use crate::model::settings::{KeepWhole, NamedPlace};

/// Degrees from the south pole to the north pole.
const LATITUDE: Range = Range::new(-90.0, 90.0, "a number of degrees, -90 to 90");

/// `[[keep]]`.
pub(super) const KEEPS: List<KeepWhole> = List {
    section: "keep",
    about: "Places no seam should cut when the planet is turned; once for each",
    rows: &[
        Setting {
            key: "keep.name",
            kind: ValueKind::Text {
                set: |k, v| k.name = v,
                get: |k| Some(&k.name),
            },
            default: needed("\"great volcano\""),
            unit: "text",
            doc: "What to call it",
        },
        Setting {
            key: "keep.lat",
            kind: always!(Number, LATITUDE, lat_deg),
            default: Default::Needed { example: "18.6" },
            unit: "degrees north",
            doc: "Latitude of its middle; south is negative",
        },
        Setting {
            key: "keep.lon",
            kind: always!(Number, ROUND, lon_deg),
            default: Default::Needed { example: "226.2" },
            unit: "degrees east",
            doc: "Longitude of its middle; west is negative",
        },
        Setting {
            key: "keep.radius",
            kind: always!(
                Number,
                Range::new(0.1, 60.0, "a number of degrees, 0.1 to 60"),
                radius_deg
            ),
            default: Default::Value("5.0"),
            unit: "degrees",
            doc: "Half its width, as an angle at the body's centre",
        },
    ],
    new: || KeepWhole {
        name: String::new(),
        lat_deg: 0.0,
        lon_deg: 0.0,
        radius_deg: 5.0,
    },
    get: |s| &s.keeps,
    get_mut: |s| &mut s.keeps,
};

/// `[[place]]`.
pub(super) const PLACES: List<NamedPlace> = List {
    section: "place",
    about: "Places of your own to name on maps and sheets; once for each",
    rows: &[
        Setting {
            key: "place.name",
            kind: ValueKind::Text {
                set: |p, v| p.name = v,
                get: |p| Some(&p.name),
            },
            default: needed("\"great volcano\""),
            unit: "text",
            doc: "What to call it",
        },
        Setting {
            key: "place.lat",
            kind: always!(Number, LATITUDE, lat_deg),
            default: Default::Needed { example: "18.6" },
            unit: "degrees north",
            doc: "Latitude of its middle; south is negative",
        },
        Setting {
            key: "place.lon",
            kind: always!(Number, ROUND, lon_deg),
            default: Default::Needed { example: "226.2" },
            unit: "degrees east",
            doc: "Longitude of its middle; west is negative",
        },
    ],
    new: || NamedPlace {
        name: String::new(),
        lat_deg: 0.0,
        lon_deg: 0.0,
    },
    get: |s| &s.places,
    get_mut: |s| &mut s.places,
};
