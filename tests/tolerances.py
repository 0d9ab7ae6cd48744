"""I name every bound the tests of the main job use, with its unit and the reason for it.

In: sources and measurements. Out: numbers. A bound without a source says "measured" and from what; such a bound is
about half again what was measured, so that a change for the worse shows. Two-sided bounds are given as (low, high).
"""

from __future__ import annotations

# --- arithmetic -------------------------------------------------------------------------------------------------------
ARITHMETIC = 1e-9  # float64, numbers of order 1
ARITHMETIC_PX = 1e-6  # px; float64, coordinates of order 1000 px through a least-squares fit
PRINTED_8 = 0.6e-8  # check values printed with 8 decimals
PRINTED_7 = 0.6e-7  # check values printed with 7 decimals
MONTE_CARLO_300 = 0.06  # relative; a root mean square over 300 runs of some dozen numbers scatters by under 2 %
FLOAT32_LIGHT = 1.2e-7  # linear light; a step of float32 just below 1

# --- placing ----------------------------------------------------------------------------------------------------------
TURNED_VIEWS_PX = 0.05  # px; SIFT with precise upscaling .016-.018 measured at 180/90 degrees, without it .50
SURVEY_LINK_PX = 0.12  # px at the corners of the inliers' box; 350-520 points of .1-.2 px; measured .011-.050
ONE_IN_TWENTY = (0.034, 0.066)  # share beyond the 95 % point in 1500 draws: .05 +- 3 sqrt(.05 .95 / 1500) = .0169
FOURIER_SHIFT_PX = 0.05  # px, promised for ties of a clean picture; published practice .008-.018; measured median .004
FOURIER_SHARE = 0.97  # share of ties so good; the rest are nearly blank windows, measured .985-1
TURNED_TIE_PX = 0.012  # px, median; the window is resampled once by a Lanczos kernel; .004-.008 measured
TIE_CHI2 = 1.2  # squared error over what the covariance says, 1 = true
TIE_CHI2_BARE = (0.4, 3.0)  # the same without the floor; noisy gradients are a little too sure
DISPARITY_PX = 0.25  # px; the published disparities are said to be good to .2 px at full size, here reduced by about 4
CLOSED_FORM = 0.01  # relative; least squares is linear here, the robust weight bends it by (1/100/2.4)^2
SIGMA_RATIO = (0.85, 1.2)  # true error over reported sigma, 160 draws scatter by 6 %, weights add
AXIS_RATIO = 0.0002  # share of length; the promise for an aspect of .003 with one piece turned by 90 degrees
TRAVEL_PX = 0.06  # px rms of the travel error found, slope and shift free; amplitude .5, noise .03, knots of 4 mm
FIELD_LEFT = 1.6  # rms over noise at ties not used for the field; 1 is perfect, nodes lie 22 mm apart

# --- joining ----------------------------------------------------------------------------------------------------------
WAY_BACK_PX = 1e-3  # px; three rounds of a contraction by under .02, fields of up to 1 px that bend by .02 per px
DENSE_MAP_PX = 4e-4  # px; float32 positions of up to 1700 px have steps of 1.2e-4
PYRAMID = 6e-7  # linear light; float32 noise of a 4-level pyramid, 2.4e-7 measured with noise pictures
GAIN = 0.004  # log gain; some hundred places of .2 % noise per overlap, and what shading and offset take of it
OFFSET = 0.001  # linear light; told from gain only by the darker places; measured .0004-.0005
UNEVENNESS = 0.006  # log of light left, 95 % point; noise of .002 alone gives .004, measured .0040-.0042
RESAMPLED_RMS = 0.006  # linear light; ink of .7 px softness resampled by a spline, then by the cubic kernel; .0043
KERNEL_PX = 0.02  # px; the cubic kernel, aimed, moves smooth content by up to .01 px; steps of 1/32 px add up to 1/64

# --- whole jobs (displacements against the painted sheet, gauge-free; see verdict.py) ---------------------------------
CLEAN_RMS = 0.02  # px; a flawless scanner: ties of .004 px, one aimed cubic resampling; measured .006-.013
CLEAN_P99 = 0.045  # px; measured .012-.027
CLEAN_TONE_P95 = 0.006  # share of light; measured .0015-.0035
CLEAN_GAIN = 0.004  # share; measured .002
REAL_RMS = (0.005, 0.075)  # px; travel error, lift, noise and dust together; measured .045-.055, under .005 no test
REAL_P99 = 0.22  # px; measured .11-.16
REAL_CORNER = 0.4  # px; placed corners lie outside all overlaps; the warp, not in the matrix, takes part of it
REAL_TONE_P95 = 0.03  # share of light; a sheet-wide slope is not seen by overlaps of upright pieces; measured .014-.022
REAL_TONE_WORST = 0.08  # share of light
LIFT_REACH_PX = 45  # px; planted zone 14 px, cells of 2 mm (8 px) grown by 2.5 mm and smoothed
DEMO_PX = 0.3  # px rms of middles; travel of .085 mm (.33 px) is answered by the warp, not the matrix; measured .13
DEMO_SCALE = 0.0003  # share; scale is held by dpi; measured .00008
DEMO_DEGREES = 0.005  # degrees; measured .0007
