broadloom_test(kernels_test unit/kernels_test.cpp LINK bl_image bl_scene)
broadloom_test(instruction_sets_test unit/instruction_sets_test.cpp LINK bl_image)
broadloom_test(taps_test unit/taps_test.cpp LINK bl_image)
broadloom_test(shrink_test unit/shrink_test.cpp LINK bl_image)
broadloom_test(output_colour_test unit/output_colour_test.cpp LINK bl_image bl_scene)
if(BROADLOOM_ONLY_KERNELS)
  return()
endif()

# A measurement, not a test: what resampling kernels keep of a zone plate and of photographs.
add_executable(resample_bench bench/resample_bench.cpp)
target_include_directories(resample_bench PRIVATE ${CMAKE_CURRENT_SOURCE_DIR})
target_link_libraries(resample_bench PRIVATE bl_shoot bl_image bl_base bl_scene PkgConfig::TURBOJPEG)
