# From photographs to an aligned scene and its picture, against the exact truth.
broadloom_test(card_to_scene_test pipeline/card_to_scene_test.cpp
  LINK bl_card_shoot bl_scene_truth bl_gather bl_align bl_render nlohmann_json::nlohmann_json)
set_tests_properties(card_to_scene_test PROPERTIES TIMEOUT 900)

# A measurement, not a test: scripts/bench_align.sh runs it.
add_executable(decode_all bench/decode_all.cpp)
target_link_libraries(decode_all PRIVATE bl_base PkgConfig::TURBOJPEG)

broadloom_test(way_test pipeline/way_test.cpp
  LINK bl_card_shoot bl_scene_truth bl_small_scene bl_exif_block nlohmann_json::nlohmann_json)
set_tests_properties(way_test PROPERTIES TIMEOUT 900)

broadloom_test(real_sets_test pipeline/real_sets_test.cpp LINK bl_gather bl_align)
