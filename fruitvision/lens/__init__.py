"""A phone's lens: the board to print, its corners in photos, the calibration, the one that fits.

board: what is printed and where it lies; sheet: the PDF; corners: found in a photo; calibrate:
photos of the board → LensCalibration; fitting: a farm's calibrations → the camera of one photo.
"""
