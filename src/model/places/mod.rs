//! Places by name: those the job gives and the best-known ones of the named bodies.
//!
//! The one home of names for places: maps, cards and sheets, tables and the search for a turn all
//! take them from here.

mod listed;

use super::bodies::body_named;
use super::geometry::{Solid, direction};
use super::settings::{NamedPlace, Settings};
use glam::DVec3;

impl NamedPlace {
    /// Unit vector towards it, body frame.
    pub fn towards(&self) -> DVec3 {
        direction(self.lat_deg, self.lon_deg)
    }
}

/// Which way ground stands out from what is around it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stands {
    /// Mountains.
    Up,
    /// Basins.
    Down,
}

/// A place of the built-in list.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Known {
    name: &'static str,
    /// `None` where it is neither high nor low.
    stands: Option<Stands>,
    lat_deg: f64,
    lon_deg: f64,
    /// Half its size as an angle at the body's centre, degrees.
    radius_deg: f64,
}

fn known(body: Option<&str>) -> &'static [Known] {
    let body = body.and_then(body_named);
    body.map_or(&[], |body| listed::of_body(body.name))
}

/// The places to show, those that matter most first: the job's own, then the best known of the
/// body unless the job does not want them. `body` is what the grid says; without, the job's word.
pub fn places(body: Option<&str>, settings: &Settings) -> Vec<NamedPlace> {
    let keeps = settings.keeps.iter().map(|keep| NamedPlace {
        name: keep.name.clone(),
        lat_deg: keep.lat_deg,
        lon_deg: keep.lon_deg,
    });
    let mut places: Vec<NamedPlace> = settings.places.iter().cloned().chain(keeps).collect();
    if settings.globe.names {
        for known in known(body.or(settings.grid.body.as_deref())) {
            let same = |place: &NamedPlace| place.name.eq_ignore_ascii_case(known.name);
            if !places.iter().any(same) {
                places.push(NamedPlace {
                    name: known.name.to_owned(),
                    lat_deg: known.lat_deg,
                    lon_deg: known.lon_deg,
                });
            }
        }
    }
    places
}

/// How far the highest or lowest ground may lie from the middle of a small place, degrees.
const NEAR_DEG: f64 = 1.5;

/// The name of high or low ground found on a body: that of the nearest known place of the sort, if
/// it is as large as that or hardly farther.
pub fn name_of(body: Option<&str>, stands: Stands, towards: DVec3) -> Option<&'static str> {
    let off_deg = |known: &Known| {
        let off = direction(known.lat_deg, known.lon_deg).angle_between(towards);
        off.to_degrees()
    };
    known(body)
        .iter()
        .filter(|known| known.stands == Some(stands))
        .map(|known| (off_deg(known), known))
        .filter(|(off_deg, known)| *off_deg <= known.radius_deg.max(NEAR_DEG))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, known)| known.name)
}

/// The face (index, from 0) that a direction in the body frame meets; on a seam the lower number.
pub fn face_towards(solid: &Solid, towards: DVec3) -> usize {
    // Of all face planes, the one met first.
    let nearness =
        |face: usize| solid.faces[face].frame.z.dot(towards) / solid.faces[face].distance;
    (1..solid.faces.len()).fold(0, |best, face| {
        // Rounding must not decide between equals.
        match nearness(face) > nearness(best) + 1e-12 {
            true => face,
            false => best,
        }
    })
}

/// A place on a facet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceOnFacet<'a> {
    /// Which.
    pub place: &'a NamedPlace,
    /// Unit vector towards it in the facet's axes; `shop::saw::on_surface` makes mm of it.
    pub local: DVec3,
}

/// The places on one facet (index, from 0), those that matter most first: the first one names it.
///
/// Every place lies on exactly one facet.
pub fn on_facet<'a>(places: &'a [NamedPlace], solid: &Solid, face: usize) -> Vec<PlaceOnFacet<'a>> {
    let here = places
        .iter()
        .filter(|place| face_towards(solid, place.towards()) == face);
    here.map(|place| PlaceOnFacet {
        place,
        local: solid.faces[face].frame.to_local(place.towards()),
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::bodies::bodies;
    use crate::model::geometry::{on_spiral, solid_names};
    use crate::model::progress::Silent;
    use std::collections::BTreeSet;

    #[test]
    fn every_body_has_places_with_names_of_their_own() {
        for body in bodies() {
            let list = listed::of_body(body.name);
            assert!(list.len() >= 9, "{}: {}", body.name, list.len());
            let names: BTreeSet<&str> = list.iter().map(|known| known.name).collect();
            assert_eq!(names.len(), list.len(), "{}", body.name);
            for known in list {
                assert!(known.lat_deg.abs() <= 90.0, "{}", known.name);
                assert!((0.0..360.0).contains(&known.lon_deg), "{}", known.name);
                assert!((0.3..=60.0).contains(&known.radius_deg), "{}", known.name);
            }
        }
    }

    /// Middles as printed in H. Masursky et al., "Annual Gazetteer of Planetary Nomenclature"
    /// (USGS Open-File Report 84-692, 1986) and in handbooks since, from memory: a list with west
    /// and east, or north and south, mixed up would be far off.
    #[test]
    fn well_known_places_lie_where_books_have_them() {
        for (body, name, lat_deg, lon_deg) in [
            ("Mars", "Olympus Mons", 18.4, 226.0),
            ("Mars", "Hellas Planitia", -42.7, 70.0),
            ("Moon", "Tycho", -43.3, 348.8),
            ("Moon", "Mare Orientale", -19.4, 267.2),
            ("Mercury", "Caloris Planitia", 30.5, 162.7),
            ("Venus", "Maxwell Montes", 65.2, 3.3),
            ("Io", "Loki Patera", 13.0, 51.2),
            ("Ceres", "Occator", 19.9, 239.3),
            ("Titan", "Kraken Mare", 68.0, 50.0),
            ("Pluto", "Sputnik Planitia", 20.0, 180.0),
            ("Mimas", "Herschel", -1.4, 248.2),
        ] {
            let list = listed::of_body(body);
            let found = list.iter().find(|known| known.name == name).unwrap();
            let found = direction(found.lat_deg, found.lon_deg);
            let off = found.angle_between(direction(lat_deg, lon_deg));
            assert!(off.to_degrees() < 6.0, "{name}: {} off", off.to_degrees());
        }
    }

    #[test]
    fn the_job_s_own_places_come_first_and_hide_known_ones_of_their_name() {
        let mut settings = Settings::default();
        settings.places.push(NamedPlace {
            name: "olympus mons".into(),
            lat_deg: 1.0,
            lon_deg: 2.0,
        });
        let list = places(Some("Mars"), &settings);
        assert_eq!((list[0].lat_deg, list[0].lon_deg), (1.0, 2.0));
        let olympus = list
            .iter()
            .filter(|p| p.name.to_lowercase() == "olympus mons");
        assert_eq!(olympus.count(), 1);
        assert!(list.iter().any(|place| place.name == "Hellas Planitia"));
        settings.globe.names = false;
        assert_eq!(places(Some("Mars"), &settings).len(), 1);
        settings.globe.names = true;
        // A body that no one named has none; the job's word counts where there is no grid.
        assert_eq!(places(None, &settings).len(), 1);
        settings.grid.body = Some("Venus".into());
        let venus = places(None, &settings);
        assert!(venus.iter().any(|place| place.name == "Maat Mons"));
    }

    #[test]
    fn high_and_low_ground_is_named_by_what_is_near() {
        let name = |stands, lat, lon| name_of(Some("mars"), stands, direction(lat, lon));
        assert_eq!(name(Stands::Up, 17.3, 226.6), Some("Olympus Mons"));
        assert_eq!(name(Stands::Down, -32.8, 62.2), Some("Hellas Planitia"));
        assert_eq!(name(Stands::Down, 18.65, 226.2), None);
        assert_eq!(name(Stands::Up, 60.0, 0.0), None);
        assert_eq!(name_of(None, Stands::Up, DVec3::X), None);
    }

    /// Every mountain and deep of Earth, from memory, against etopo5.cdf of the Debian package
    /// ferret-datasets 7.6 (NOAA, public domain), means over five minutes: within half a degree lies
    /// ground with none higher (deeper) near it, far above (below) the mean about it.
    #[test]
    fn the_mountains_and_deeps_of_earth_are_where_a_grid_has_them() {
        let path = std::path::PathBuf::from("/usr/share/ferret-vis/data/etopo5.cdf");
        assert!(
            path.exists(),
            "install the Debian package ferret-datasets (setup.sh does)"
        );
        let settings = crate::model::settings::GridSettings {
            files: vec![path],
            ..Default::default()
        };
        let grid = crate::read::read(&settings, &Default::default(), &Silent)
            .unwrap()
            .grid;
        // Cells within an angle of a place, with their heights.
        let near = |[lat_deg, lon_deg]: [f64; 2], degrees: f64| {
            let (sin, cos) = lat_deg.to_radians().sin_cos();
            let least = degrees.to_radians().cos();
            let rows =
                (0..grid.rows()).filter(|row| (grid.lat_deg(*row) - lat_deg).abs() <= degrees);
            let mut cells = Vec::new();
            for row in rows {
                let (s, c) = grid.lat_deg(row).to_radians().sin_cos();
                for column in 0..grid.columns() {
                    let across = (grid.lon_deg(column) - lon_deg).to_radians().cos();
                    if sin * s + cos * c * across >= least {
                        let at = [grid.lat_deg(row), grid.lon_deg(column)];
                        cells.push((at, f64::from(grid.heights_m[(row, column)])));
                    }
                }
            }
            cells
        };
        let mut compared = 0;
        for known in listed::of_body("Earth") {
            let sign = match known.stands {
                Some(Stands::Up) => 1.0,
                Some(Stands::Down) => -1.0,
                None => continue,
            };
            let around = near([known.lat_deg, known.lon_deg], 0.5).into_iter();
            let top = around.max_by(|a, b| (sign * a.1).total_cmp(&(sign * b.1)));
            let (top, height_m) = top.unwrap();
            let beside = near(top, 0.4);
            let higher = beside.iter().filter(|(_, m)| sign * m > sign * height_m);
            assert_eq!(higher.count(), 0, "{}: higher ground beside it", known.name);
            let about = near(top, 2.0);
            let mean_m = about.iter().map(|(_, m)| m).sum::<f64>() / about.len() as f64;
            let stands_m = sign * (height_m - mean_m);
            assert!(
                stands_m > 800.0,
                "{} stands out by {stands_m} m",
                known.name
            );
            compared += 1;
        }
        assert!(compared >= 44, "{compared}");
    }

    /// Every place lies on one facet and inside it: no other corner's side of any of its seams.
    #[test]
    fn every_place_is_on_one_facet_of_every_solid_and_inside_its_seams() {
        let settings = Settings::default();
        let mut list = places(Some("Mars"), &settings);
        list.extend((0..200).map(|i| {
            let (sine, turns) = on_spiral(i, 200);
            NamedPlace {
                name: format!("{i}"),
                lat_deg: sine.asin().to_degrees(),
                lon_deg: 360.0 * turns,
            }
        }));
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let mut count = 0;
            for face in 0..solid.faces.len() {
                let corners: Vec<DVec3> = (solid.faces[face].corners.iter())
                    .map(|&corner| solid.corners[corner])
                    .collect();
                let found = on_facet(&list, &solid, face);
                count += found.len();
                for on in &found {
                    assert!((on.local.length() - 1.0).abs() < 1e-12 && on.local.z > 0.0);
                    for (i, corner) in corners.iter().enumerate() {
                        let seam = corner.cross(corners[(i + 1) % corners.len()]);
                        let side = seam.normalize().dot(on.place.towards());
                        assert!(side > -1e-9, "{name}: {} is over a seam", on.place.name);
                    }
                }
            }
            assert_eq!(count, list.len(), "{name}");
        }
    }
}
