"""FAO-56 Table 22 as data: how deep crops root, and what part of the available water they draw without stress.

Allen, Pereira, Raes & Smith 1998, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56, chapter 8, Table 22:
ranges of the maximum effective rooting depth Zr, and the soil water depletion fraction p for no stress at a crop
evapotranspiration of about 5 mm a day. Figures FOUND in a public-domain implementation by the USDA Agricultural
Research Service; the names are the table's, in lower case without commas and brackets.
"""

from __future__ import annotations

#: Crop: least and greatest of the maximum root depth, m; depletion fraction p.
TABLE_22: dict[str, tuple[float, float, float]] = {
    # small vegetables
    "broccoli": (0.4, 0.6, 0.45),
    "brussel sprouts": (0.4, 0.6, 0.45),
    "cabbage": (0.5, 0.8, 0.45),
    "carrots": (0.5, 1.0, 0.35),
    "cauliflower": (0.4, 0.7, 0.45),
    "celery": (0.3, 0.5, 0.20),
    "garlic": (0.3, 0.5, 0.30),
    "lettuce": (0.3, 0.5, 0.30),
    "onions dry": (0.3, 0.6, 0.30),
    "onions green": (0.3, 0.6, 0.30),
    "onions seed": (0.3, 0.6, 0.35),
    "spinach": (0.3, 0.5, 0.20),
    "radishes": (0.3, 0.5, 0.30),
    # vegetables, nightshade family
    "eggplant": (0.7, 1.2, 0.45),
    "sweet peppers bell": (0.5, 1.0, 0.30),
    "tomato": (0.7, 1.5, 0.40),
    # vegetables, cucumber family
    "cantaloupe": (0.9, 1.5, 0.45),
    "cucumber fresh market": (0.7, 1.2, 0.50),
    "cucumber machine harvest": (0.7, 1.2, 0.50),
    "pumpkin winter squash": (1.0, 1.5, 0.35),
    "squash zucchini": (0.6, 1.0, 0.50),
    "sweet melons": (0.8, 1.5, 0.40),
    "watermelon": (0.8, 1.5, 0.40),
    # roots and tubers
    "beets table": (0.6, 1.0, 0.50),
    "cassava year 1": (0.5, 0.8, 0.35),
    "cassava year 2": (0.7, 1.0, 0.40),
    "parsnip": (0.5, 1.0, 0.40),
    "potato": (0.4, 0.6, 0.35),
    "sweet potato": (1.0, 1.5, 0.65),
    "turnip rutabaga": (0.5, 1.0, 0.50),
    "sugar beet": (0.7, 1.2, 0.55),
    # legumes
    "beans green": (0.5, 0.7, 0.45),
    "beans dry pulses": (0.6, 0.9, 0.45),
    "beans lima large vines": (0.8, 1.2, 0.45),
    "chickpea": (0.6, 1.0, 0.50),
    "faba bean broad fresh": (0.5, 0.7, 0.45),
    "faba bean broad dry seed": (0.5, 0.7, 0.45),
    "garbanzo": (0.6, 1.0, 0.45),
    "green gram cowpeas": (0.6, 1.0, 0.45),
    "groundnut peanut": (0.5, 1.0, 0.50),
    "lentil": (0.6, 0.8, 0.50),
    "peas fresh": (0.6, 1.0, 0.35),
    "peas dry seed": (0.6, 1.0, 0.40),
    "soybeans": (0.6, 1.3, 0.50),
    # perennial vegetables
    "artichokes": (0.6, 0.9, 0.45),
    "asparagus": (1.2, 1.8, 0.45),
    "mint": (0.4, 0.8, 0.40),
    "strawberries": (0.2, 0.3, 0.20),
    # fibre crops
    "cotton": (1.0, 1.7, 0.65),
    "flax": (1.0, 1.5, 0.50),
    "sisal": (0.5, 1.0, 0.80),
    # oil crops
    "castorbean ricinus": (1.0, 2.0, 0.50),
    "rapeseed canola": (1.0, 1.5, 0.60),
    "safflower": (1.0, 2.0, 0.60),
    "sesame": (1.0, 1.5, 0.60),
    "sunflower": (0.8, 1.5, 0.45),
    # cereals
    "barley": (1.0, 1.5, 0.55),
    "oats": (1.0, 1.5, 0.55),
    "spring wheat": (1.0, 1.5, 0.55),
    "winter wheat": (1.5, 1.8, 0.55),
    "maize field grain corn": (1.0, 1.7, 0.55),
    "maize sweet corn": (0.8, 1.2, 0.50),
    "millet": (1.0, 2.0, 0.55),
    "sorghum grain": (1.0, 2.0, 0.55),
    "sorghum sweet": (1.0, 2.0, 0.50),
    "rice": (0.5, 1.0, 0.20),
    # forages and turf
    "alfalfa for hay": (1.0, 2.0, 0.55),
    "alfalfa for seed": (1.0, 3.0, 0.60),
    "bermuda for hay": (1.0, 1.5, 0.55),
    "bermuda spring crop for seed": (1.0, 1.5, 0.60),
    "clover hay berseem": (0.6, 0.9, 0.50),
    "rye grass hay": (0.6, 1.0, 0.60),
    "sudangrass hay annual": (1.0, 1.5, 0.55),
    "grazing pasture rotated": (0.5, 1.5, 0.60),
    "grazing pasture extensive": (0.5, 1.5, 0.60),
    "turfgrass cool season": (0.5, 1.0, 0.40),
    "turfgrass warm season": (0.5, 1.0, 0.50),
    # sugar cane
    "sugarcane": (1.2, 2.0, 0.65),
    # tropical fruits and trees
    "banana first year": (0.5, 0.9, 0.35),
    "banana second year": (0.5, 0.9, 0.35),
    "cacao": (0.7, 1.0, 0.30),
    "coffee": (0.9, 1.5, 0.40),
    "date palms": (1.5, 2.5, 0.50),
    "palm trees": (0.7, 1.1, 0.65),
    "pineapple": (0.3, 0.6, 0.50),
    "rubber trees": (1.0, 1.5, 0.40),
    "tea non-shaded": (0.9, 1.5, 0.40),
    "tea shaded": (0.9, 1.5, 0.45),
    # grapes and berries
    "berries bushes": (0.6, 1.2, 0.50),
    "grapes table raisin": (1.0, 2.0, 0.35),
    "grapes wine": (1.0, 2.0, 0.45),
    "hops": (1.0, 1.2, 0.50),
    # fruit trees
    "almonds": (1.0, 2.0, 0.40),
    "apples cherries pears": (1.0, 2.0, 0.50),
    "apricots peaches stone fruit": (1.0, 2.0, 0.50),
    "avocado": (0.5, 1.0, 0.70),
    "citrus 70% canopy": (1.2, 1.5, 0.50),
    "citrus 50% canopy": (1.1, 1.5, 0.50),
    "citrus 20% canopy": (0.8, 1.1, 0.50),
    "conifer trees": (1.0, 1.5, 0.70),
    "kiwi": (0.7, 1.3, 0.35),
    "olives 40% to 60% ground coverage by canopy": (1.2, 1.7, 0.65),
    "pistachios": (1.0, 1.5, 0.40),
    "walnut orchard": (1.7, 2.4, 0.50),
}

#: What a crop of the table is called as well, where that can mean no other row; common practice.
OTHER_NAMES: dict[str, str] = {
    "aubergine": "eggplant",
    "bell pepper": "sweet peppers bell",
    "canola": "rapeseed canola",
    "courgette": "squash zucchini",
    "cowpeas": "green gram cowpeas",
    "olives": "olives 40% to 60% ground coverage by canopy",
    "peanut": "groundnut peanut",
    "spring crop for seed": "bermuda spring crop for seed",
    "sweet corn": "maize sweet corn",
    "table grapes": "grapes table raisin",
    "walnut": "walnut orchard",
    "wine grapes": "grapes wine",
    "zucchini": "squash zucchini",
}
