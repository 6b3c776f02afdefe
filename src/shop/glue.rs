//! Glue-up order: two shells, each grown facet by facet, then the seam that closes the ball.

use crate::model::geometry::Solid;
use serde::Serialize;

/// One gluing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// 1 or 2 while a shell grows, 0 when the shells are joined.
    pub shell: usize,
    /// Index of the facet added; `None` when the shells are joined.
    pub face: Option<usize>,
    /// Seams glued now.
    pub seams: Vec<usize>,
}

/// Steps in order. Every seam is glued once.
///
/// The facets are split at the middle between face 1 and the face across; each shell starts at
/// its outermost facet and takes next the facet that meets it along most seams, the lower
/// number first. So a facet is pressed into a corner rather than against one side wherever the
/// solid allows it.
pub fn order(solid: &Solid) -> Vec<Step> {
    let axis = solid.faces[0].frame.z;
    let mut by_height: Vec<usize> = (0..solid.faces.len()).collect();
    let height = |face: usize| {
        // In rings: rounding must not decide.
        (axis.dot(solid.faces[face].frame.z) * 1e9).round() as i64
    };
    by_height.sort_by_key(|&face| (-height(face), face));
    let half = by_height.len().div_ceil(2);
    let mut steps = Vec::new();
    let (top, bottom) = by_height.split_at(half);
    let mut bottom: Vec<usize> = bottom.to_vec();
    bottom.reverse();
    for (shell, faces) in [top, bottom.as_slice()].into_iter().enumerate() {
        steps.extend(grow(solid, shell + 1, faces));
    }
    let glued: Vec<usize> = steps.iter().flat_map(|step| step.seams.clone()).collect();
    let seams = (0..solid.seams.len()).filter(|seam| !glued.contains(seam));
    steps.push(Step {
        shell: 0,
        face: None,
        seams: seams.collect(),
    });
    steps
}

fn grow(solid: &Solid, shell: usize, faces: &[usize]) -> Vec<Step> {
    let mut left: Vec<usize> = faces.to_vec();
    let mut done: Vec<usize> = Vec::new();
    let mut steps = Vec::new();
    while !left.is_empty() {
        let shared = |face: usize| -> Vec<usize> {
            let edges = solid.faces[face].edges.iter();
            edges
                .filter(|edge| done.contains(&edge.neighbour))
                .map(|edge| edge.seam)
                .collect()
        };
        // The first of the most: `max_by_key` would take the last.
        let mut next = 0;
        for i in 1..left.len() {
            if shared(left[i]).len() > shared(left[next]).len() {
                next = i;
            }
        }
        let mut seams = shared(left[next]);
        seams.sort_unstable();
        let face = left.remove(next);
        done.push(face);
        steps.push(Step {
            shell,
            face: Some(face),
            seams,
        });
    }
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::solid_names;

    #[test]
    fn every_facet_and_seam_is_glued_once_and_every_facet_holds_on_to_its_shell() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let steps = order(&solid);
            let mut faces: Vec<usize> = steps.iter().filter_map(|s| s.face).collect();
            faces.sort_unstable();
            assert_eq!(faces, (0..solid.faces.len()).collect::<Vec<_>>(), "{name}");
            let mut seams: Vec<usize> = steps.iter().flat_map(|s| s.seams.clone()).collect();
            seams.sort_unstable();
            assert_eq!(seams, (0..solid.seams.len()).collect::<Vec<_>>(), "{name}");
            for shell in [1, 2] {
                let loose = steps
                    .iter()
                    .filter(|s| s.shell == shell && s.seams.is_empty());
                assert_eq!(loose.count(), 1, "{name}: shell {shell} falls apart");
            }
            assert!(
                steps
                    .last()
                    .is_some_and(|s| s.face.is_none() && !s.seams.is_empty())
            );
        }
    }

    /// The closing seam is one ring: every corner on it belongs to two of its seams.
    #[test]
    fn the_closing_seam_is_one_ring() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let closing = order(&solid).pop().unwrap().seams;
            let mut at_corner = vec![0; solid.corners.len()];
            for &seam in &closing {
                solid.seams[seam]
                    .corners
                    .iter()
                    .for_each(|&c| at_corner[c] += 1);
            }
            assert!(at_corner.iter().all(|&n| n == 0 || n == 2), "{name}");
        }
    }
}
