//! The ball in card: the outlines of the printed map cut out, folded by the printed tilts and
//! closed. Nothing but what stands on the sheets is used.

use crate::support::run;
use glam::{DVec2, DVec3};
use std::collections::BTreeMap;
use tempfile::TempDir;

/// A facet as cut from the map: its corners, mm, y up, and the seam printed at each side.
struct Card {
    corners: Vec<DVec2>,
    seams: Vec<String>,
}

/// Where a card is held in space.
#[derive(Clone, Copy)]
struct Held {
    origin: DVec3,
    x: DVec3,
    y: DVec3,
}

impl Held {
    fn place(&self, p: DVec2) -> DVec3 {
        self.origin + self.x * p.x + self.y * p.y
    }
}

/// Words of an SVG with their places, and the corners of its closed lines on one layer; y up.
fn map(svg: &str, layer: &str) -> (Vec<(DVec2, String)>, Vec<Vec<DVec2>>) {
    let tree = roxmltree::Document::parse(svg).unwrap();
    let number = |node: &roxmltree::Node<'_, '_>, name: &str| -> f64 {
        node.attribute(name).unwrap().parse().unwrap()
    };
    let words = tree.descendants().filter(|node| node.has_tag_name("text"));
    let words = words.map(|node| {
        // Half a line up: the middle of the words and not their base line.
        let y = number(&node, "y") - 0.36 * number(&node, "font-size");
        let at = DVec2::new(number(&node, "x"), -y);
        (at, node.text().unwrap().to_owned())
    });
    let words = words.collect();
    let group = tree
        .descendants()
        .find(|node| node.attribute("id") == Some(layer));
    let lines = group
        .unwrap()
        .children()
        .filter_map(|node| node.attribute("d"));
    let lines = lines.map(|way| {
        assert!(way.starts_with('M') && way.ends_with(" Z"), "{way}");
        let numbers: Vec<f64> = way
            .split(['M', 'L', 'Z', ' '])
            .filter_map(|word| word.parse().ok())
            .collect();
        let mut corners: Vec<DVec2> = numbers.chunks(2).map(|p| DVec2::new(p[0], -p[1])).collect();
        // Counter-clockwise with y up.
        let twice: f64 = (0..corners.len())
            .map(|i| corners[i].perp_dot(corners[(i + 1) % corners.len()]))
            .sum();
        if twice < 0.0 {
            corners.reverse();
        }
        corners
    });
    (words, lines.collect())
}

/// The cards by their number.
fn cards(svg: &str) -> BTreeMap<String, Card> {
    let (words, outlines) = map(svg, "BLANK");
    let cards = outlines.into_iter().map(|corners| {
        let count = corners.len();
        let sides = |i: usize| (corners[i], corners[(i + 1) % count]);
        let on = |p: DVec2| {
            (0..count).all(|i| {
                let (a, b) = sides(i);
                (b - a).perp_dot(p - a) > 0.0
            })
        };
        let mut seams = vec![String::new(); count];
        let mut number = None;
        for (at, text) in words.iter().filter(|(at, _)| on(*at)) {
            if text.parse::<usize>().is_ok() {
                assert!(
                    number.replace(text.clone()).is_none(),
                    "two numbers: {text}"
                );
            }
            // Names of places and other words are no seams.
            if text
                .strip_prefix('S')
                .is_none_or(|n| n.parse::<usize>().is_err())
            {
                continue;
            }
            let away = |i: &usize| {
                let (a, b) = sides(*i);
                (b - a).normalize().perp_dot(*at - a)
            };
            let side = (0..count)
                .min_by(|i, j| away(i).total_cmp(&away(j)))
                .unwrap();
            assert!(
                std::mem::replace(&mut seams[side], text.clone()).is_empty(),
                "{text}"
            );
        }
        assert!(seams.iter().all(|seam| !seam.is_empty()), "{seams:?}");
        (number.unwrap(), Card { corners, seams })
    });
    cards.collect()
}

/// Tilts by facet and seam, degrees, as they are printed on the seam sheet.
fn tilts(plan: &str) -> BTreeMap<(String, String), f64> {
    let sheet = plan.split("## Seam sheet").nth(1).unwrap();
    let sheet = sheet.split("\n## ").next().unwrap();
    let rows = sheet.lines().filter_map(|line| {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let tilt = cells.get(6)?.strip_suffix('°')?.parse().ok()?;
        Some(((cells[1].to_owned(), cells[4].to_owned()), tilt))
    });
    rows.collect()
}

/// Holds the card of a facet by one side, its first corner at `from`.
fn hold(card: &Card, side: usize, from: DVec3, along: DVec3, inward: DVec3) -> Held {
    let (a, b) = (
        card.corners[side],
        card.corners[(side + 1) % card.corners.len()],
    );
    let flat = (b - a).normalize();
    // x and y of the paper, seen from the side and the way inward from it.
    let x = along * flat.x + inward * -flat.y;
    let y = along * flat.y + inward * flat.x;
    Held {
        origin: from - x * a.x - y * a.y,
        x,
        y,
    }
}

/// Largest gap at any end of any seam when all cards are folded on from the first, and the
/// farthest corner from the middle, mm.
fn closed(cards: &BTreeMap<String, Card>, tilts: &BTreeMap<(String, String), f64>) -> (f64, f64) {
    let first = cards.keys().next().unwrap().clone();
    let start = Held {
        origin: DVec3::ZERO,
        x: DVec3::X,
        y: DVec3::Y,
    };
    let mut held = BTreeMap::from([(first.clone(), start)]);
    let mut next = vec![first];
    let ends = |held: &Held, card: &Card, side: usize| {
        let corner = |i: usize| held.place(card.corners[i % card.corners.len()]);
        (corner(side), corner(side + 1))
    };
    let across = |number: &str, seam: &str| {
        let other = cards
            .iter()
            .find(|(n, card)| n.as_str() != number && card.seams.iter().any(|s| s == seam));
        let (other, card) = other.unwrap();
        let side = card.seams.iter().position(|s| s == seam).unwrap();
        (other.clone(), side)
    };
    while let Some(number) = next.pop() {
        let (card, at) = (&cards[&number], held[&number]);
        for (side, seam) in card.seams.iter().enumerate() {
            let (other, their_side) = across(&number, seam);
            if held.contains_key(&other) {
                continue;
            }
            let (a, b) = ends(&at, card, side);
            let along = (b - a).normalize();
            let out = at.x.cross(at.y);
            let fold = [&number, &other].map(|n| tilts[&(n.clone(), seam.clone())]);
            let fold = (fold[0] + fold[1]).to_radians();
            let inward = along.cross(out) * fold.cos() - out * fold.sin();
            let hung = hold(&cards[&other], their_side, b, -along, inward);
            held.insert(other.clone(), hung);
            next.push(other);
        }
    }
    assert_eq!(held.len(), cards.len());
    let mut gap: f64 = 0.0;
    for (number, card) in cards {
        for (side, seam) in card.seams.iter().enumerate() {
            let (other, their_side) = across(number, seam);
            let (a, b) = ends(&held[number], card, side);
            let (c, d) = ends(&held[&other], &cards[&other], their_side);
            gap = gap.max(a.distance(d)).max(b.distance(c));
        }
    }
    let corners = cards.iter().flat_map(|(number, card)| {
        let held = held[number];
        card.corners.iter().map(move |p| held.place(*p))
    });
    let corners: Vec<DVec3> = corners.collect();
    let middle = corners.iter().sum::<DVec3>() / corners.len() as f64;
    let farthest = corners
        .iter()
        .map(|p| p.distance(middle))
        .fold(0.0, f64::max);
    (gap, farthest)
}

/// Dihedral angles: 144° of the rhombic triacontahedron, 138° 11′ of the icosahedron (Coxeter,
/// Regular Polytopes, table I, for the latter; both follow from closed forms).
#[test]
fn cards_cut_from_the_printed_map_close_to_a_ball() {
    for (solid, diameter, stock, paper, facets, dihedral_deg, radius_mm) in [
        (
            "rhombic-triacontahedron",
            "200 mm",
            "2 in",
            "a4",
            30,
            144.0,
            100.0,
        ),
        (
            "icosahedron",
            "10 in",
            "3 in",
            "letter",
            20,
            138.0 + 11.0 / 60.0,
            127.0,
        ),
    ] {
        let folder = TempDir::new().unwrap();
        let job = format!(
            "[globe]\nsolid = \"{solid}\"\ndiameter = \"{diameter}\"\n[relief]\nrange = \"5 mm\"\n\
             [stock]\nthickness = \"{stock}\"\n[paper]\nsheet = \"{paper}\"\npages = 40\n"
        );
        std::fs::write(folder.path().join("job.toml"), job).unwrap();
        let (code, _, said) = run(&folder, &["plan", "job.toml", "--out", "ball", "--quiet"]);
        assert_eq!(code, 0, "{said}");
        let read = |name: &str| {
            std::fs::read_to_string(folder.path().join("ball/shop").join(name)).unwrap()
        };
        let svg = read("map.svg");
        assert!(svg.contains("true size"), "{solid}");
        let cards = cards(&svg);
        assert_eq!(cards.len(), facets);
        let tilts = tilts(&read("plan.md"));
        for ((facet, seam), tilt) in &tilts {
            let other = tilts
                .iter()
                .find(|((f, s), _)| f != facet && s == seam)
                .unwrap();
            let found = 180.0 - tilt - other.1;
            assert!(
                (found - dihedral_deg).abs() < 0.02,
                "{solid} {seam}: {found}"
            );
        }
        let (gap, farthest) = closed(&cards, &tilts);
        assert!(gap < 0.2, "{solid} gapes by {gap} mm");
        assert!((farthest - radius_mm).abs() < 0.2, "{solid}: {farthest}");

        // Half a degree off in every tilt and it does not: the check can fail.
        let wrong = tilts
            .into_iter()
            .map(|(key, tilt)| (key, tilt + 0.5))
            .collect();
        assert!(closed(&cards, &wrong).0 > 1.0);
    }
}
