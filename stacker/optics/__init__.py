"""Optics of close-up photography: pure functions of plain numbers and arrays, no I/O.

`lenses` and `objectives` turn a rig's plain values into an `imaging.Imaging`; `diffraction`, `contrast` and `depth` say
what it resolves and how deep; `rear` and `perspective` what changes from frame to frame. Symbols in the notes: f focal
length, N marked f-number, P pupil magnification, m magnification, N_e effective f-number, NA object-side
numerical aperture, n refractive index, lam wavelength, nu frequency, c circle of confusion.
"""
