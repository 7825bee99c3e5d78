# Shoots as they come off a card, with the exact truth, and the measure of a solved scene against it.
add_library(bl_scene_truth STATIC support/scene_truth.cpp)
target_include_directories(bl_scene_truth PUBLIC ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(bl_scene_truth PUBLIC bl_scene)
broadloom_test(scene_truth_test unit/scene_truth_test.cpp LINK bl_scene_truth)
add_executable(compare_scenes support/compare_scenes.cpp)
target_link_libraries(compare_scenes PRIVATE bl_scene_truth)

add_library(bl_card_shoot STATIC support/card_plan.cpp support/card_shoot.cpp support/card_world.cpp)
target_link_libraries(bl_card_shoot PUBLIC bl_shoot bl_world bl_scene bl_base)
add_executable(make_card support/make_card.cpp)
target_link_libraries(make_card PRIVATE bl_card_shoot)
broadloom_test(card_shoot_test unit/card_shoot_test.cpp LINK bl_card_shoot bl_io PkgConfig::TURBOJPEG)
