# Smooth corrections of frames: splines, small shifts where frames meet, left-over exposure.
broadloom_test(frame_fields_test unit/frame_fields_test.cpp LINK bl_made_up bl_canvas)
broadloom_test(spline_solve_test unit/spline_solve_test.cpp LINK bl_made_up bl_settle)
broadloom_test(patch_match_test unit/patch_match_test.cpp LINK bl_made_up bl_settle)
broadloom_test(local_shift_test unit/local_shift_test.cpp LINK bl_made_up bl_settle)
broadloom_test(light_fields_test unit/light_fields_test.cpp LINK bl_made_up bl_settle)
