# The program from its command line: messages, outputs, equal bytes, memory.
add_library(bl_process STATIC support/process.cpp)
target_include_directories(bl_process PUBLIC ${PROJECT_SOURCE_DIR}/tests)
add_executable(measured_run support/measured_run.cpp)
target_link_libraries(measured_run PRIVATE bl_process)
add_executable(spread_shoot support/spread_shoot.cpp)
target_link_libraries(spread_shoot PRIVATE bl_scene)

add_library(bl_small_scene STATIC support/small_scene.cpp)
target_compile_definitions(bl_small_scene PRIVATE BROADLOOM_PROGRAM="$<TARGET_FILE:broadloom>")
target_link_libraries(bl_small_scene PUBLIC bl_process nlohmann_json::nlohmann_json PkgConfig::JPEG
  PkgConfig::VIPS)
add_dependencies(bl_small_scene broadloom)

function(broadloom_pipeline_test name)
  broadloom_test(${name} pipeline/${name}.cpp LINK bl_small_scene ${ARGN})
  set_tests_properties(${name} PROPERTIES TIMEOUT 900)
endfunction()
broadloom_pipeline_test(bad_input_test)
broadloom_pipeline_test(command_line_test)
broadloom_pipeline_test(interruption_test)
broadloom_pipeline_test(outputs_test)
broadloom_pipeline_test(frame_kinds_test)
broadloom_pipeline_test(program_bytes_test)
broadloom_pipeline_test(memory_test)
broadloom_pipeline_test(seams_file_test)

broadloom_test(picture_tags_test pipeline/picture_tags_test.cpp LINK bl_small_scene bl_exif_block
  pugixml::pugixml)

broadloom_test(cell_encoder_test unit/cell_encoder_test.cpp LINK bl_render)
