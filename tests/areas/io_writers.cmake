pkg_check_modules(TIFF REQUIRED IMPORTED_TARGET libtiff-4)  # the reference that reads what we wrote
broadloom_test(regrid_test unit/regrid_test.cpp LINK bl_pyramid)
broadloom_test(deep_zoom_test unit/deep_zoom_test.cpp LINK bl_io)
broadloom_test(tiff_pyramid_test unit/tiff_pyramid_test.cpp
  LINK bl_io PkgConfig::TURBOJPEG PkgConfig::TIFF)
broadloom_test(output_profiles_test unit/output_profiles_test.cpp LINK bl_io PkgConfig::LCMS2)
broadloom_test(colour_profile_test unit/colour_profile_test.cpp LINK bl_io bl_scene PkgConfig::LCMS2)
broadloom_test(tiff_deflate_test unit/tiff_deflate_test.cpp
  LINK bl_io PkgConfig::TIFF PkgConfig::VIPS)
# A measurement, not a test.
add_executable(deflate_bench EXCLUDE_FROM_ALL bench/deflate_bench.cpp)
target_include_directories(deflate_bench PRIVATE ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(deflate_bench PRIVATE bl_io PkgConfig::JPEG)
broadloom_test(colour_test pipeline/colour_test.cpp
  LINK bl_render PkgConfig::LCMS2 PkgConfig::JPEG PkgConfig::VIPS)
set_tests_properties(colour_test PROPERTIES TIMEOUT 300)
