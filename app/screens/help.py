"""How to take the photos, and what to beware of."""

from functools import partial

import streamlit as st

from app import files, session, show
from fruitvision.marker_sheet import draw_marker_sheet
from fruitvision.settings import RULER_MM

# From where the marker, of a 150 mm side, is 87 px wide in a phone's photo.
ALLEY_M = 2.3

units = session.units()
ruler = show.length(RULER_MM, units.diameter, digits=1)
alley = show.length(ALLEY_M, units.distance, digits=1)
st.title("Help")
st.subheader("The marker")
st.markdown(
    "1. Print the sheet at 100 %, on stiff paper, and measure its 150 mm ruler with a steel rule. "
    f"If it does not read {ruler}, type what it reads under Photos, Ruler.\n"
    "2. Hang it flat, facing the camera, among the fruit of the tree, not in front of the row "
    "and not behind it. The whole square must be seen, no leaf over it.\n"
    "3. Without a marker in the photo fruit are counted, not sized."
)
for column, paper in zip(st.columns(2), ("A4", "Letter"), strict=True):
    column.download_button(
        f"Marker sheet, {paper}",
        files.bytes_of(partial(draw_marker_sheet, paper=paper), "marker.pdf"),
        file_name=f"marker-{paper.lower()}.pdf",
        mime="application/pdf",
        icon=":material/download:",
        width="stretch",
    )
st.subheader("The photo")
st.markdown(
    f"1. Stand in the alley, about {alley} from the tree, phone upright and level, the whole tree "
    "in view.\n"
    "2. Keep the sun behind you or wait for cloud. Hold still; no flash, no zoom.\n"
    "3. Take face A from one alley and face B from the other, the same way for every tree.\n"
    "4. Choose trees by number before you walk, such as every 20th, not by their looks. 8 trees "
    "are a start, 15 are better.\n"
    "5. Count every fruit on 5 of these trees by hand, and caliper 10 fruit on each."
)
st.subheader("How far to trust it")
st.markdown(
    "Every number comes with a range, P10–P90: 8 of 10 times the truth lies in it. What makes "
    "a number weak stands beside it in words. Hidden fruit come in by your hand counts; culls, "
    "drop and weight are general rules until you put in your own."
)
show.caution()
st.subheader("Take care")
st.markdown(
    "- Follow labels, local rules and licensed advisers in all you spray or thin.\n"
    "- Mind tractors and platforms: tell the crew that you walk the rows.\n"
    "- Hang the marker from the ground; where a ladder is needed, set it on firm ground and have "
    "it held.\n"
    "- In heat, walk early, drink, and rest in the shade."
)
