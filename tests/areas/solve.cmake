# The joint solution, the head's model and the level, against made-up truth.
broadloom_test(joint_solve_test unit/joint_solve_test.cpp support/made_up_matches.cpp LINK bl_align)
broadloom_test(lens_derivatives_test unit/lens_derivatives_test.cpp LINK bl_align)
broadloom_test(head_model_test unit/head_model_test.cpp LINK bl_align)
broadloom_test(level_test unit/level_test.cpp LINK bl_align)
