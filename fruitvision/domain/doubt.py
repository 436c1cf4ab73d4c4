"""Reasons to trust a number less."""

from __future__ import annotations

from enum import StrEnum


class Doubt(StrEnum):
    """A reason to trust a number less. The value is the code in tables, `words` is for people."""

    # photo
    BLURRED = "blurred"
    TOO_DARK = "too_dark"
    TOO_BRIGHT = "too_bright"
    NO_DATE = "no_date"
    PHOTO_CROPPED = "photo_cropped"
    PHOTO_RESIZED = "photo_resized"
    NO_TREE = "no_tree"
    PUT_RIGHT = "put_right"
    # reference and scale
    NO_MARKER = "no_marker"
    MARKER_CUT = "marker_cut"
    MARKER_TILTED = "marker_tilted"
    MARKER_SMALL = "marker_small"
    MARKERS_DISAGREE = "markers_disagree"
    MARKER_BENT = "marker_bent"
    MARKER_UNCLEAR = "marker_unclear"
    MARKER_MIRRORED = "marker_mirrored"
    MARKER_OTHER = "marker_other"
    BALL_HIDDEN = "ball_hidden"
    BALL_SMALL = "ball_small"
    REFERENCE_LEFT_OUT = "reference_left_out"
    REFERENCE_REFUSED = "reference_refused"
    SCALE_BY_HAND = "scale_by_hand"
    LENS_UNKNOWN = "lens_unknown"
    VIEWS_NOT_JOINED = "views_not_joined"
    LENS_ZOOMED = "lens_zoomed"
    LENS_OTHER = "lens_other"
    FOCAL_ABSURD = "focal_absurd"
    # fruit
    NOT_SIZED = "not_sized"
    CUT_BY_EDGE = "cut_by_edge"
    PARTLY_HIDDEN = "partly_hidden"
    BY_HAND = "by_hand"
    # tree and block
    ROW_BEHIND = "row_behind"
    FACE_MISSING = "face_missing"
    FEW_TREES = "few_trees"
    NO_HAND_COUNTS = "no_hand_counts"
    FEW_HAND_COUNTS = "few_hand_counts"
    OTHER_PROTOCOL = "other_protocol"
    HAND_BELOW_VISIBLE = "hand_below_visible"
    NO_SIZES = "no_sizes"
    NO_CALIPERS = "no_calipers"
    SHEET_SCALE = "sheet_scale"
    POOLED_FACTOR = "pooled_factor"
    OLD_FACTOR = "old_factor"
    OTHER_DETECTOR = "other_detector"
    SUSPECT_PAIRS = "suspect_pairs"
    NOT_SPREAD = "not_spread"
    STRATUM_NOT_SAMPLED = "stratum_not_sampled"
    ONE_TREE = "one_tree"
    TREES_ALL_EQUAL = "trees_all_equal"
    REGISTER_DIFFERS = "register_differs"
    PANEL_UNCLEAR = "panel_unclear"
    PANEL_MIXED = "panel_mixed"
    PANELS_AND_TREES = "panels_and_trees"
    VIGOUR_INCOMPLETE = "vigour_incomplete"
    # forecast
    DEFAULT_GROWTH = "default_growth"
    SISTER_GROWTH = "sister_growth"
    FARM_GROWTH = "farm_growth"
    FEW_WEIGHED = "few_weighed"
    DEFAULT_WEIGHT = "default_weight"
    ASSUMED_CULLS = "assumed_culls"
    FAR_AHEAD = "far_ahead"
    NEWER_WALK = "newer_walk"
    PAST_PICK = "past_pick"
    PICKED = "picked"
    BLOCK_LEFT_OUT = "block_left_out"

    @property
    def words(self) -> str:
        """One plain sentence for a grower."""
        return _WORDS[self]


_WORDS: dict[Doubt, str] = {
    Doubt.BLURRED: "Blurred: hold still and focus on the fruit, then take it again.",
    Doubt.TOO_DARK: "Too dark: wait for light or step so that the sun is behind you.",
    Doubt.TOO_BRIGHT: "Too bright: turn away from the sun or lower the exposure.",
    Doubt.NO_DATE: "The photo carries no date: check the phone's clock settings.",
    Doubt.PHOTO_CROPPED: "Cropped after it was taken, so its lens is unknown: use the original.",
    Doubt.PHOTO_RESIZED: "Made smaller or cropped after it was taken: use the original.",
    Doubt.NO_TREE: "No tree seen: this photo shows too little foliage, or a heap of fruit.",
    Doubt.PUT_RIGHT: "Put right by hand: do so in all photographed trees alike, or hidden fruit "
    "are told wrongly.",
    Doubt.NO_MARKER: "No marker found: fruit are counted, not sized.",
    Doubt.MARKER_CUT: "The marker is cut off or half covered: fruit are counted, not sized.",
    Doubt.MARKER_TILTED: "The marker is tilted over 35°: fruit are counted, not sized.",
    Doubt.MARKER_SMALL: "The marker is under 40 px wide: fruit are counted, not sized. Go nearer.",
    Doubt.MARKERS_DISAGREE: "Two markers give different scales: fruit are counted, not sized.",
    Doubt.MARKER_BENT: "The marker is bent or curled: it gives no scale. Glue it on a flat board.",
    Doubt.MARKER_UNCLEAR: "The marker is blurred, wet, dirty or half hidden: it gives no scale.",
    Doubt.MARKER_OTHER: "A marker has another number than the printed sheet's: say its side as a "
    "reference that you point at, or hang the sheet.",
    Doubt.MARKER_MIRRORED: "The marker is mirrored: use the photo as it was taken, not flipped.",
    Doubt.BALL_HIDDEN: "A ball is half hidden, or too like what is behind it: it gives no scale.",
    Doubt.BALL_SMALL: "A ball is under 12 px wide: it gives no scale. Go nearer.",
    Doubt.REFERENCE_LEFT_OUT: "A reference disagrees with the others and was left out: see which.",
    Doubt.REFERENCE_REFUSED: "A reference that was pointed at can't be used: see why.",
    Doubt.SCALE_BY_HAND: "The scale was typed in, not measured from a marker.",
    Doubt.LENS_UNKNOWN: "Lens unknown: the stretch of fruit near the picture's edge stays in.",
    Doubt.LENS_ZOOMED: "Taken with digital zoom: step nearer instead, and zoom back to 1.",
    Doubt.LENS_OTHER: "Calibrated with another lens, zoom or picture size than this photo's.",
    Doubt.FOCAL_ABSURD: "The photo names an impossible focal length: it is not used.",
    Doubt.VIEWS_NOT_JOINED: "Not measured together with the other photo of this face: see why.",
    Doubt.NOT_SIZED: "Counted, not sized.",
    Doubt.CUT_BY_EDGE: "Cut by the edge of the photo: counted, not sized.",
    Doubt.PARTLY_HIDDEN: "Too little of the fruit is seen to size it: counted, not sized.",
    Doubt.BY_HAND: "A person drew this outline, or said that this fruit hangs on this row.",
    Doubt.ROW_BEHIND: "Fruit far smaller than usual in this block were left out as the row behind.",
    Doubt.FACE_MISSING: "A tree lacks a usable photo of one face and was left out.",
    Doubt.FEW_TREES: "Fewer than 8 trees or panels: a first look, no promise.",
    Doubt.NO_HAND_COUNTS: "No hand-counted trees: visible fruit only, hidden fruit are not in.",
    Doubt.FEW_HAND_COUNTS: "Fewer than 5 hand counts: how many fruit hide is not known well.",
    Doubt.OTHER_PROTOCOL: "Hand counts belong to another way of taking photos: not used.",
    Doubt.HAND_BELOW_VISIBLE: "A hand count is below what one face shows: check that tree.",
    Doubt.NO_SIZES: "No fruit could be sized: numbers only, no size classes.",
    Doubt.NO_CALIPERS: "No caliper readings of this walk: photo millimetres are unchecked.",
    Doubt.SHEET_SCALE: "The marker sheet seems printed at a wrong size: measure its ruler.",
    Doubt.POOLED_FACTOR: "Hidden fruit are told by counts of like blocks too.",
    Doubt.OLD_FACTOR: "The hand counts are more than 30 days older than the photos: count again.",
    Doubt.OTHER_DETECTOR: "Hidden fruit were told by another detector: count again, or confirm it.",
    Doubt.SUSPECT_PAIRS: "Some hand counts fit their photos badly: look at those trees.",
    Doubt.NOT_SPREAD: "The photographed trees stand in one part of the block only.",
    Doubt.STRATUM_NOT_SAMPLED: "A part of the block has no photographed tree: its load is assumed.",
    Doubt.ONE_TREE: "One tree or panel only: the spread between them is assumed.",
    Doubt.TREES_ALL_EQUAL: "All photographed trees have the same count: check the counts.",
    Doubt.REGISTER_DIFFERS: "The walk found other gaps than the register says: put it right.",
    Doubt.PANEL_UNCLEAR: "A panel whose faces name other numbers of trees was left out.",
    Doubt.PANEL_MIXED: "A panel holds a pollinizer, or trees of two parts of the block or photos.",
    Doubt.PANELS_AND_TREES: "Some photos show one tree, others several: one factor serves both.",
    Doubt.VIGOUR_INCOMPLETE: "Vigour is known of some photographed trees only: it is not used.",
    Doubt.SISTER_GROWTH: "Growth is that of like blocks this year: measure this block twice.",
    Doubt.FARM_GROWTH: "Growth is the farm's curve of past years: measure this block twice.",
    Doubt.FEW_WEIGHED: "Too few fruit were weighed for a rule of this variety's own.",
    Doubt.DEFAULT_GROWTH: "Growth is a textbook rate: measure twice to get this block's own.",
    Doubt.DEFAULT_WEIGHT: "Weight from diameter is a general rule: weigh fruit of this variety.",
    Doubt.ASSUMED_CULLS: "Culls and drop are assumed, not measured here.",
    Doubt.FAR_AHEAD: "The pick is more than 60 days after the walk: trust the peak classes only.",
    Doubt.NEWER_WALK: "A newer walk has under 8 trees so far: these numbers are of the one before.",
    Doubt.PAST_PICK: "The pick date was past when this was made: set it anew before you promise.",
    Doubt.PICKED: "A last pass was marked finished: the packing house tells what came in of it.",
    Doubt.BLOCK_LEFT_OUT: "A block of the farm is not in this number: put right what kept it out.",
}

Doubts = tuple[Doubt, ...]


def merge_doubts(*groups: Doubts) -> Doubts:
    """All doubts once, in the order of the enumeration."""
    found = {doubt for group in groups for doubt in group}
    return tuple(doubt for doubt in Doubt if doubt in found)
