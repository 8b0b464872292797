"""Which code measured: kept with every result, so that it can be traced and repeated."""

from __future__ import annotations

from geometry.version import VERSION

REVISION = 24
"""Raised whenever a measurement, a limit or a finding may come out differently.

1: the first. 2: the upper of two creases is the margin; dips of a palate end the tissue;
spikes judged by their near neighbours; closed bodies with holes are solids. 3: the gum's free
edge is followed by its step, crown heights by side and region; holes up to 6 mm across are
holes, not the end of the tissue; teeth far below the row are teeth; the curve of Wilson tells
the arch more; incisors of a deep bite count for the plane, and a plane hardly known is a
finding; round blisters on gum that faces the biting side are found. 4: blisters told by the
foot they stand on and by what has no like across the mouth; leaning, worn and half erupted
teeth count for the plane; what is larger than any arch is not measured. 5: a front hardly
seen is a finding, and sides that the scan does not show are not named. 6: crowded front teeth and
teeth beyond a wide gap are told apart; a crown long on one side is so on the other; fewer
false blisters. 7: seams between crowns that overlap, how broad crowns are and where the midline is
tell the teeth; numbers that another row explains nearly as well are unsure. 8: blisters told by
places of their height and facing; the width of a gap is measured above a high papilla; teeth at
two levels are a finding; holes are told by their width, cracks are only counted. 9: holes that
begin far below the gum line and cracks no longer than a contact are notes; faulty edges are counted
to the triangle; triangles that noise turned over do not count as crossing; fewer false blisters on
cusps and where crowns overlap; the scan's end behind the last tooth is not the border beside it;
a tooth is measured where it was scanned;
small holes all over do not hide the teeth;
triangles that share no corners are a finding. 10: tissue is measured in the section that each
tooth itself faces, and where a crown's roundness ends tells its margin too; a passage plainly wide
at its bottom is a gap also over a high papilla; large blisters are told by their foot, and fewer
papillae behind the front teeth are taken for one; where a palate was scanned whole, that it is less
deep than the gum wanted is no finding. 11: a crease sharper than any fold of the gum tells the
margin of a receded tooth, and where the gum line is faint the finding gives a range; a hole that
begins on the crown and goes on below the margin leaves no gum there; all signs of a blister are
weighed together; the free space between crowns is measured by rays along the arch, and a smeared
contact is told from a gap by the width of its bottom; incisal edges far below the back teeth make
the plane too. 12: the plane is the mean over eight grids; an end of the scan on a crown, a wall
that software added and parts still bonded to the teeth are findings; a wall missing beside the
scan's end leaves no gum; inside front teeth the margin told leans to the middle of what is likely;
what may be a blister is compared with the mirrored other side of the mouth; little gum along a side
is one finding. 13: what is bonded is told by its foot and with its teeth, wires behind front teeth
too; places far rougher or smoother than the rest are findings; the crown length of lower front
teeth inside is told by all of them together; part of an arch no longer passes for the whole.
14: slits do not stop a scan, and those between teeth are one note; the gum line is read past
attachments; a place is doubtful by sharper odds; half-erupted teeth are told from ridges and
primary teeth from permanent ones; gaps are followed as crowns part; deep undercuts are one note,
left out where the plane is not known. 15: cheek, lip and tongue on a scan are left out and told;
what is between the back teeth is told from a palate; teeth that stand off the bent row count half
for the plane, and a finding tells when it hangs on them; primary teeth carry their own numbers;
high narrow steps tell the gum line, which is read past pads and wires; smoothed walls are sharpened
before; front teeth one behind the other leave no space; a scan in several parts is one finding.
16: frame, coarser copies and undercut lie along the scan's own axes, so that pose and order do not
matter; brackets and wires are no cusps, and the gum is read below them and bite turbos; a guess at
a number is not called sure; plaster models with their table and teeth out of the row are told;
what is surely short stops a scan whatever is doubtful beside it; one tooth is not read in cm.
17: samples are chosen by where they lie, not by their order; teeth not come through show less
crown, the lower crease of rolled gum is no margin, sharper odds leave fewer places doubtful, and a
gum line that leaves hardly any crown is; slots with parallel walls and gaps with a leaf of gum are
gaps; pads behind the last molar are no teeth, and smooth gum is no cusp; small rough places are
told, fine anatomy under large triangles is none. 18: where the quick signs of upper and lower say
little, the teeth of either arch are laid over the whole row; gum that falls steeply all around is
no wall that software added; smooth surface beside long thin triangles has no spikes; marginal
ridges are no buccal cusps for the curve of Spee; drops that hang free between teeth are blisters.
19: the row of teeth is asked for upper or lower on more scans; a second border nearly as long as
the first is looked at, it does not stop a scan; a tooth close before the row is told where the row
lacks one; inside front teeth the lower end of a cingulum is no edge of the gum; where more is read
but too little may well have been captured, the place is doubtful.
20: tips, folds, papillae and grooves are no blisters or spikes, and a scan without noise has no
filled hole to tell; the space of a lost tooth is measured over gum that climbs its neighbours; a
curve of Spee ends at the last tooth, and a deep one is not two levels; flat ridges and papillae in
narrow spaces are no teeth.
21: the plane no longer leans on gum behind the last teeth, folds beside incisors or grooves between
cusps; sheets that touch along an edge are joined two and two, so that fewer cracks are told; films
between two teeth are told by the opening under them; blisters that face up have to be likelier;
rough places are measured by how far they spread, and roughness of a quarter of a millimetre stops;
mere noise is cast by fewer lines.
22: the inside of a lower front tooth follows its outer side by the whole; a curve of Spee is
measured to the two buccal cusps of a lower first molar; very rough scans are measured on a smoothed
copy, and spikes must exceed six times the noise; thorns of many vertices
are spikes; sheets that pass through each other are told with a place.
23: whole rows of primary teeth carry their own numbers and are no part of an arch; canines and
premolars as short as primary teeth are numbered so, unsure, and the gum line of primary crowns is
looked for nearer to their usual length; backs and corners of crowns, broad papillae and lips of
cracks are no blisters; noise of more than a fifth of an edge is measured along the normals of a
calmer copy; front teeth that stand before each other are apart where a millimetre parts them.
24: thin films between two crowns are told by the air before and behind them; scans with more than
.05 mm of noise are averaged before blisters are looked for; what stands out on a ridge that runs
on, as a rolled margin does, is told only when clear; primary canines and molars are told from their
successors by where their crowns end; a pad that climbs behind the last molar is neither a tooth
nor a crown that the scan ends on; the arch stated and what it looks like are told apart, and specks
of triangles are no finding.
"""

ENGINE = f"{VERSION}+inspection.{REVISION}"
