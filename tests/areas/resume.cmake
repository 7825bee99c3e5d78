broadloom_test(checkpoint_test unit/checkpoint_test.cpp LINK bl_render)
broadloom_test(resume_test pipeline/resume_test.cpp LINK bl_shoot bl_render)
