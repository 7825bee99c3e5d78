# Exposure and vignetting from overlaps.
broadloom_test(photometric_solve_test unit/photometric_solve_test.cpp LINK bl_align)
broadloom_test(photometric_sample_test unit/photometric_sample_test.cpp LINK bl_align)
broadloom_test(read_light_test unit/read_light_test.cpp
  LINK bl_align PkgConfig::LCMS2 PkgConfig::JPEG PkgConfig::VIPS)
