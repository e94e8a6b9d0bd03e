"""The simulated fleet of `loamline demo`: invented weather, soil, probes and radio, no clock and no network.

Everything here is a function of a seed and an instant, so that history and the accelerated life after it are
one series. Layer: app.

    draws            repeatable random figures for any index, in any order
    weather, soil    air and soil temperature, rain, evapotranspiration, the soil-water bucket
    transducer       water content -> relative permittivity -> count: the calibration run backwards
    fleet            the invented sites, gateways, probes and curves, as tables
    probe_series     what each probe measures, its faults of character included
    radio            who hears an uplink, how well, and which uplinks nobody hears
    payloads         a waking's figures as bytes, through the codecs' builders
    uplinks          canonical uplinks in time order
    registry_folder  the registry that belongs to the fleet
"""
