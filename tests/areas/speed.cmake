# Measurements, not tests: scripts/bench.sh runs them all. OpenCV and libvips are here only to be
# compared with; OpenCV's folders and libraries are found in exactness.cmake.
add_library(bl_bench_shoot STATIC support/repeating_world.cpp)
target_link_libraries(bl_bench_shoot PUBLIC bl_card_shoot)
add_executable(make_bench_shoot bench/make_bench_shoot.cpp)
target_link_libraries(make_bench_shoot PRIVATE bl_bench_shoot)

add_library(bl_floor STATIC bench/floor.cpp)
target_include_directories(bl_floor PUBLIC ${CMAKE_CURRENT_SOURCE_DIR})
target_link_libraries(bl_floor PUBLIC bl_render PkgConfig::TURBOJPEG)
add_executable(bench bench/bench.cpp bench/bench_scene.cpp)
target_compile_definitions(bench PRIVATE BROADLOOM_BUILD_TYPE="${CMAKE_BUILD_TYPE}")
target_link_libraries(bench PRIVATE bl_process bl_floor nlohmann_json::nlohmann_json)
add_executable(chain_bench bench/chain_bench.cpp)
add_executable(blend_bench bench/blend_bench.cpp)
add_executable(pyramid_bench bench/pyramid_bench.cpp)
foreach(program chain_bench blend_bench pyramid_bench)
  target_link_libraries(${program} PRIVATE bl_floor nlohmann_json::nlohmann_json PkgConfig::VIPS
    ${OPENCV_STITCHING_LIBRARY} ${OPENCV_IMGPROC_LIBRARY} ${OPENCV_CORE_LIBRARY})
  # As a system folder: OpenCV's headers are not clean under our warnings.
  target_include_directories(${program} SYSTEM PRIVATE ${OPENCV_STITCHING_INCLUDE_DIR})
endforeach()
add_custom_target(bench_programs)
add_dependencies(bench_programs make_bench_shoot bench chain_bench blend_bench pyramid_bench)

# The short version: that no row and no figure is missing.
broadloom_test(bench_test pipeline/bench_test.cpp LINK bl_process nlohmann_json::nlohmann_json)
target_compile_definitions(bench_test PRIVATE BROADLOOM_BUILD_FOLDER="${PROJECT_BINARY_DIR}")
add_dependencies(bench_test bench_programs broadloom)
set_tests_properties(bench_test PROPERTIES TIMEOUT 900)
