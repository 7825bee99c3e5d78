# The invented place that tests and sample inputs are photographs of.
add_library(bl_world STATIC support/procedural_world.cpp support/world_letters.cpp
  support/world_harbour.cpp support/world_lorry.cpp support/world_model.cpp support/world_parts.cpp
  support/world_scenery.cpp support/world_ships.cpp support/world_surfaces.cpp support/world_town.cpp
  support/exif_block.cpp support/exif_jpeg.cpp support/sample_frames.cpp)
target_include_directories(bl_world PUBLIC ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(bl_world PUBLIC bl_scene bl_base PkgConfig::TURBOJPEG)
add_executable(make_sample_inputs support/make_sample_inputs.cpp)
target_link_libraries(make_sample_inputs PRIVATE bl_world)
broadloom_test(sample_inputs_test unit/sample_inputs_test.cpp LINK bl_world)
