# From photographs to an aligned scene and its picture, against the exact truth.
broadloom_test(card_to_scene_test pipeline/card_to_scene_test.cpp
  LINK bl_card_shoot bl_scene_truth bl_gather bl_align bl_render nlohmann_json::nlohmann_json)
set_tests_properties(card_to_scene_test PROPERTIES TIMEOUT 900)
