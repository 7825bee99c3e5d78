# Smooth corrections of frames: splines, small shifts where frames meet, left-over exposure.
broadloom_test(frame_fields_test unit/frame_fields_test.cpp LINK bl_made_up bl_canvas)
broadloom_test(node_batch_test unit/node_batch_test.cpp LINK bl_made_up bl_canvas)
broadloom_test(spline_solve_test unit/spline_solve_test.cpp LINK bl_made_up bl_settle)
broadloom_test(patch_match_test unit/patch_match_test.cpp LINK bl_made_up bl_settle)
broadloom_test(local_shift_test unit/local_shift_test.cpp LINK bl_made_up bl_settle)
broadloom_test(light_fields_test unit/light_fields_test.cpp LINK bl_made_up bl_settle)
# They from frames to the finished picture.
broadloom_test(corrections_test pipeline/corrections_test.cpp LINK bl_made_up bl_shoot bl_render)
set_tests_properties(corrections_test PROPERTIES TIMEOUT 900)
