"""Invented names."""

from __future__ import annotations

HAMLETS = [
    "Askerby", "Brindle Cross", "Carn Bewick", "Dunnet Hollow", "Elverton", "Farrow Green", "Gorsey", "Hallock",
    "Ibberstow", "Jarrow Dene", "Kelderwick", "Lambeck", "Mardle", "Nether Arley", "Oxwater", "Pinfold", "Quoyle",
    "Ravensk", "Stannering", "Tarn End", "Upper Sarn", "Varleigh", "Whinfell Gate", "Yarrick", "Zeal Moor",
    "Birkhope", "Cloudsley", "Drummer's Rest", "Eddering", "Fallowmere", "Greystane", "Hob's Mill", "Ivestone",
    "Knapwell", "Longstrand", "Mizzle", "Nunbeck", "Orchard Row", "Petherick", "Rushmarsh",
]

LANE_STEMS = [
    "Sheepwash", "Hollow", "Fuchsia", "Bramble", "Quarry", "Chapel", "Mill", "Gorse", "Plover", "Heron", "Long", "Stony",
    "Withy", "Barley", "Honeysuckle", "Peat", "Kiln", "Cooper's", "Gannet", "Marsh", "Pound", "Smithy", "Thorn", "Windy",
    "Lantern", "Cuckoo", "Furze", "Whistling", "Badger", "Orchard", "Slate", "Beacon", "Drift", "Ferny", "Hart", "Ivy",
    "Juniper", "Kestrel", "Lark", "Mossy", "Nettle", "Otter", "Primrose", "Rook", "Sorrel", "Tinker's", "Violet", "Wren",
    "Yew", "Alder", "Birch", "Clover", "Dairy", "Elder", "Fiddler's", "Goose", "Hazel", "Inkpot", "Jackdaw", "Kelp",
    "Lime", "Mason's", "Northwind", "Oatmeal", "Pebble", "Quince", "Raven", "Saltpan", "Tern", "Upland", "Vixen", "Wicket",
]
LANE_ENDS = ["Lane", "Lane", "Lane", "Road", "Hill", "Bank", "Drove"]
STREET_STEMS = [
    "Harbour", "Church", "Market", "Fore", "Bridge", "Castle", "Ropewalk", "Chandler", "Anchor", "Beacon", "Mercer", "Tanner",
    "Lamp", "Orchard", "Well", "Cloth", "Hill", "Sea", "Strand", "North", "South", "East", "West", "Mill", "Station", "Signal",
    "Compass", "Mast", "Tide", "Gull", "Cormorant", "Petrel", "Dolphin", "Mariner", "Pilot", "Capstan", "Copper", "Tin",
    "Silver", "Flax", "Linen", "Barrel", "Candle", "Baker", "Butter", "Salt", "Pepper", "Ginger", "Laurel", "Myrtle", "Rowan",
    "Ash", "Maple", "Willow", "Poplar", "Juniper", "Bramble", "Heather", "Gorse", "Thrift", "Samphire", "Fountain", "Garden",
    "Park", "School", "Chapel", "Tower", "Clock", "Dyer", "Weaver", "Cobbler", "Glover", "Saddler", "Farrier", "Arch", "Crane",
]
STREET_ENDS = ["Street", "Street", "Street", "Road", "Lane", "Row", "Hill", "Place", "Walk", "Terrace"]
