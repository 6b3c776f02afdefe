//! Cautions for each machine step.

/// A machine step and what can hurt there.
pub const CAUTIONS: [(&str, &[&str]); 7] = [
    (
        "Before anything else",
        &[
            "This plan is arithmetic, not instruction. The manuals of your machines, local rules \
             and someone qualified to teach you on them come first; where they disagree with this \
             plan, follow them.",
            "Wear eye and hearing protection. Fine dust harms the lungs and can catch fire: \
             collect it at the machine and wear a mask that fits.",
        ],
    ),
    (
        "Cutting blanks",
        &[
            "Check boards for nails, stones and loose knots before any blade or bit meets them.",
            "Leave small blanks attached to the board as long as you can; never hold a small part \
             by hand near a blade.",
        ],
    ),
    (
        "Pocket, boss and notches",
        &[
            "Clamp the blank where the bit cannot reach, and check by a slow run in the air with \
             the spindle off.",
        ],
    ),
    (
        "Carving",
        &[
            "A bit that meets a screw, nail or clamp can break and fly. Keep metal outside the \
             reach drawn around the blank, or use wooden or plastic screws.",
            "A dull bit burns, and a hot chip in the dust collection can start a fire: stay with \
             the machine while it runs.",
        ],
    ),
    (
        "Sawing the seams",
        &[
            "The facets are small and their backs are smaller still. Saw them only on a jig that \
             holds them without your hands near the blade, with guard and riving knife in place \
             as the saw's manual says.",
            "Unplug the saw before you set the tilt. Make the first cut in scrap and measure it.",
            "The tilted blade comes up at another place than the upright one: check that it meets \
             neither jig, fence nor clamp over its whole way.",
            "Do not saw a blank that rocks on its boss or whose tab has come loose.",
        ],
    ),
    (
        "Hole, flat or ring",
        &[
            "Clamp a blank or the ball before drilling into it: a bit that breaks through grabs and \
             spins what it is in. Back the far side with scrap, and keep to the drill press's manual.",
            "A ball rolls: cut a flat with the ball bedded and held in a cradle, never in the hand \
             against a belt, blade or plane iron.",
        ],
    ),
    (
        "Slots, glue and finish",
        &[
            "Clamp a facet before cutting a slot or hole in it; the cut faces are slanted and the \
             machine can slip.",
            "Read the labels of glue and finish. Rags with drying oil heat up by themselves: lay \
             them flat outdoors or soak them in water.",
        ],
    ),
];
