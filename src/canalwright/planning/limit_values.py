"""`Limits`: what a step may do, each a graded default that the operator can replace.

Why these values, and what they make of usual canals, is told in the decision on plan search.
"""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.evidence import Evidence, Graded

__all__ = ["Limits"]


@dataclass(frozen=True, slots=True)
class Limits:
    """What a step may do. Every limit is a graded value that the operator can replace.

    Attributes
    ----------
    step_percent : Graded
        Largest step of an engine-driven instrument at any level, in percent of the inscribed
        diameter.
    step_mm : Graded
        Largest step at any level, in mm.
    engaged_mm : Graded
        Largest length of canal over which an instrument may cut.
    dentin_left_mm : Graded
        Least dentin left in any direction an instrument cuts, where the outer surface is known.
    over_target_mm : Graded
        How far an instrument may cut beyond the target diameter.
    flare_over_target_mm : Graded
        The same in the coronal part of the canal, where instruments open the way for others.
    flare_from_share : Graded
        Where that part begins, as a share of the canal's length from the terminus.
    glide_path_mm : Graded
        Inscribed diameter the canal must have along the inserted part before an engine-driven
        instrument goes there.
    hand_step_percent : Graded
        As `step_percent`, for hand instruments.
    engaged_most_mm : Graded
        Engaged length allowed, with a caution, where no sequence keeps `engaged_mm` and that is
        not the operator's own limit.
    engaged_caution_mm : Graded
        Engaged length above which a step carries a caution.
    dentin_from_mm : Graded
        Level below which dentin is not judged.
    loose_tip_mm : Graded
        How much narrower than the untouched canal the tip of an engine-driven instrument may be,
        in the narrowest place of the 3 mm above it. Where another instrument has shaped that part
        before, no instrument may be loose there: none follows a larger one to the same level.
    torque_fraction : Graded
        Largest share of the estimated torsional strength at the worst station of an
        engine-driven instrument.
    fatigue_fraction : Graded
        Largest share of the mean fatigue life in one pass, where a test point is known.
    hand_size_in_curve : Graded
        Largest size of drawn steel that is taken round a curve.
    curve_per_mm : Graded
        Curvature from which a canal counts as curved for that limit.
    smallest_start_mm : Graded
        Diameter below which the image says nothing; a narrower measured canal starts here.
    step_area_percent : Graded
        Largest growth of the section's area at any level, in percent.
    glide_step_percent : Graded
        As `step_percent`, for engine-driven glide-path files.
    glide_start_mm : Graded
        As `glide_path_mm`, for engine-driven glide-path files.
    glide_file_size, glide_file_taper : Graded
        Largest size and taper (mm/mm) of an engine-driven instrument that counts as one.
    finishing_step_percent : Graded
        As `step_percent`, for engine-driven instruments of the target's size or more at the end of
        the preparation.
    gauging_over_mm : Graded
        How much wider than the target the terminus may be before gauging is called for first.
    torque_end_fraction : Graded
        As `torque_peak_fraction`, for the torque of cutting alone with the instrument centered.
    torque_peak_fraction : Graded
        Largest share of the estimated torsional strength at the worst station at the end of the
        advance, rubbing included, for an engine-driven instrument in its true shape.
    strain : Graded
        Largest surface strain (ratio) of an engine-driven instrument in its true shape.
    access_mm, access_share : Graded
        Length below the orifice where bending is a caution and no limit, and the largest share of
        the canal's length that this may be.
    screw_in_n : Graded
        Largest pull toward the terminus on an engine-driven instrument, where its pitch is known.
    transportation_mm : Graded
        Largest shift of the wall away from a centered cut at any level, after the whole sequence.
    """

    step_percent: Graded = Graded(
        45.0,
        "%",
        Evidence.ASSUMED,
        note="lets an engine-driven file follow one standard size at the tip (15 to 20 is 33 %) "
        "and refuses to skip one (20 to 30 is 50 %)",
    )
    step_mm: Graded = Graded(
        0.20,
        "mm",
        Evidence.ASSUMED,
        note="a tenth of a millimeter per side; it binds in the coronal part only, where the "
        "relative limit would let a single instrument cut deeper",
    )
    engaged_mm: Graded = Graded(
        12.0,
        "mm",
        Evidence.ASSUMED,
        note="three quarters of a 16 mm cutting part; half of it (8 mm, see the caution) leaves "
        "hardly any sequence to a .04 taper in canals of 11 to 14 mm",
    )
    dentin_left_mm: Graded = Graded(
        0.5,
        "mm",
        Evidence.ASSUMED,
        note="cautions are quoted at 0.3 mm (perforation) and at 1 mm (thin wall), both from "
        "memory; neither is a threshold with proof",
    )
    over_target_mm: Graded = Graded(
        0.02, "mm", Evidence.ASSUMED, note="the diameter tolerance of an instrument"
    )
    flare_over_target_mm: Graded = Graded(
        0.1,
        "mm",
        Evidence.ASSUMED,
        note="half of it per side; room for a coronal flare that frees the files that follow",
    )
    flare_from_share: Graded = Graded(
        0.5, "", Evidence.PRACTICE, note="flaring stays in the coronal half"
    )
    glide_path_mm: Graded = Graded(
        0.15,
        "mm",
        Evidence.PRACTICE,
        note="a loose 10 up to 20 are all argued for as the end of the glide path",
    )
    hand_step_percent: Graded = Graded(
        60.0,
        "%",
        Evidence.PRACTICE,
        note="the standard series itself steps 50 % from size 10 to 15, and hands feel it; "
        "10 to 20 is 100 %",
    )
    engaged_most_mm: Graded = Graded(
        16.0,
        "mm",
        Evidence.ASSUMED,
        note="a whole cutting part; canals longer than 13 mm often leave no other way",
    )
    engaged_caution_mm: Graded = Graded(
        8.0,
        "mm",
        Evidence.PRACTICE,
        note="engage at most a third to half of the flutes; half of a 16 mm cutting part",
    )
    dentin_from_mm: Graded = Graded(
        1.0,
        "mm",
        Evidence.ASSUMED,
        note="the root tapers to nothing round the exit, so its wall is thin there by nature",
    )
    loose_tip_mm: Graded = Graded(
        0.05,
        "mm",
        Evidence.ASSUMED,
        note="one standard size; an instrument looser than that has no business so deep",
    )
    torque_fraction: Graded = Graded(
        0.5, "", Evidence.ASSUMED, note="strength and cutting energy are uncertain by a factor of 2"
    )
    fatigue_fraction: Graded = Graded(
        0.3, "", Evidence.ASSUMED, note="single lives scatter by 30 % and more about the mean"
    )
    hand_size_in_curve: Graded = Graded(
        20.0,
        "",
        Evidence.PRACTICE,
        note="larger steel files straighten a curved canal",
    )
    curve_per_mm: Graded = Graded(
        0.05, "1/mm", Evidence.ASSUMED, note="a radius of 20 mm: a gentle curve"
    )
    smallest_start_mm: Graded = Graded(
        0.06,
        "mm",
        Evidence.ASSUMED,
        note="the smallest standard file; what is narrower in the image is not resolved",
    )
    step_area_percent: Graded = Graded(
        160.0,
        "%",
        Evidence.ASSUMED,
        note="what the relative step of hand instruments allows in a round canal; size 10 to 15 "
        "is 125 %",
    )
    glide_step_percent: Graded = Graded(
        45.0, "%", Evidence.ASSUMED, note="as for shaping; 10 to 13 is 30 %, 10 to 16 is 60 %"
    )
    glide_start_mm: Graded = Graded(
        0.10, "mm", Evidence.PRACTICE, note="a loose size 10 before an engine-driven glide file"
    )
    glide_file_size: Graded = Graded(
        16.0, "", Evidence.PRACTICE, note="engine-driven glide files are about size 13 to 16"
    )
    glide_file_taper: Graded = Graded(
        0.03, "mm/mm", Evidence.PRACTICE, note="slim: a steeper file shapes"
    )
    finishing_step_percent: Graded = Graded(
        45.0, "%", Evidence.ASSUMED, note="as for shaping; 25 to 30 is 20 %, 20 to 30 is 50 %"
    )
    gauging_over_mm: Graded = Graded(
        0.05, "mm", Evidence.ASSUMED, note="one standard size wider than the target"
    )
    torque_end_fraction: Graded = Graded(
        0.7,
        "",
        Evidence.ASSUMED,
        note="a choice of caution: strength and cutting energy are uncertain by a factor of 2. "
        "Rubbing adds 0.01 to 0.1 in the canals tried, so this and not the limit on the peak "
        "binds as a rule",
    )
    torque_peak_fraction: Graded = Graded(
        0.9,
        "",
        Evidence.ASSUMED,
        note="the peak of a steady advance; a hand that feels resistance slows down, and strength "
        "and cutting energy are uncertain by a factor of 2",
    )
    strain: Graded = Graded(
        0.10,
        "",
        Evidence.ASSUMED,
        source="figueiredo2009",
        note="beyond what superelastic alloys recover (6 to 8 %): raised from 8 % so that "
        "measured canals stay plannable. Wires were tested at up to 12 %; how long a file lasts "
        "there is not known: few turns, caution from 6 %",
    )
    access_mm: Graded = Graded(
        2.0,
        "mm",
        Evidence.PRACTICE,
        note="access straightens the entrance before instruments go down it",
    )
    access_share: Graded = Graded(
        0.2,
        "",
        Evidence.ASSUMED,
        note="2 mm of a canal of 10 mm; of a short one access straightens no more than that share",
    )
    screw_in_n: Graded = Graded(
        10.0,
        "N",
        Evidence.ASSUMED,
        note="what a hand holds back lightly; mean vertical forces up to 12 N are published",
    )
    transportation_mm: Graded = Graded(
        0.3,
        "mm",
        Evidence.MEMORY,
        source="wu2000",
        note="more than that at the apex may harm the seal: often quoted, poorly supported; asked "
        "for at every level here",
    )

    def entrance_mm(self, length_mm: float) -> float:
        """Return the length below the orifice of a canal where bending is no limit."""
        return min(self.access_mm.value, self.access_share.value * length_mm)
