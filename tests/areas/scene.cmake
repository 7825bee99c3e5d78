broadloom_test(text_test unit/text_test.cpp LINK bl_base)
broadloom_test(file_io_test unit/file_io_test.cpp LINK bl_base)
broadloom_test(scene_test unit/scene_test.cpp LINK bl_scene nlohmann_json::nlohmann_json)
