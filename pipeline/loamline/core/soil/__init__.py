"""The soil around a probe: its texture, what water it holds, and what of that a crop can draw.

`texture` names the class, `saxton_rawls` gives wilting point, field capacity and saturation, `water` picks what holds
for a layer, `crops` and `crop_table` say how deep and how dry a crop draws, `available` turns a water content into what
is left for plants, `profile` and `profiles_of` turn the readings of several depths into millimetres of a profile.
"""
