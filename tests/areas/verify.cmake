# Checking and repairing finished results.
broadloom_test(sha256_test unit/sha256_test.cpp LINK bl_io)
broadloom_test(agreement_test unit/agreement_test.cpp LINK bl_render)
broadloom_test(verify_test pipeline/verify_test.cpp LINK bl_shoot bl_render nlohmann_json::nlohmann_json)
broadloom_test(repair_test pipeline/repair_test.cpp LINK bl_shoot bl_render)
broadloom_test(verify_command_test pipeline/verify_command_test.cpp LINK bl_small_scene)
set_tests_properties(verify_test repair_test verify_command_test PROPERTIES TIMEOUT 300)
